"""From exports to a morning's digest."""
