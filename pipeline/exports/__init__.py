"""From the bytes of an export to normalised rows."""
