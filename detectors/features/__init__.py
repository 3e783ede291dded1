"""Features: what is made of a site's day for the detectors, each once, by one module of this package."""
