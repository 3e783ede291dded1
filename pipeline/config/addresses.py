"""Mail addresses, as far as a typing error shows in them."""

import re

# ours: one address, no display name, nothing that could open a second header or a second recipient (RFC 5322's special
# characters and controls are left out)
_ADDRESS = re.compile(r"[^@\s,;:<>()\[\]\\\"\x00-\x1f\x7f]+@[^@\s,;:<>()\[\]\\\"\x00-\x1f\x7f]+")


def is_address(text: str) -> bool:
    """True for the shape local@domain."""
    return _ADDRESS.fullmatch(text) is not None
