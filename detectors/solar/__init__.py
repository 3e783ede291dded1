"""The sun, the clear day, and what modules make of it."""
