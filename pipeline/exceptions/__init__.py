"""From findings and decisions to exceptions and revisits."""
