"""The folder of one firm: its places, its lock, the resources in the package."""
