"""Numbers of things in the words of the command line: `1 site`, `2 sites`."""


def counted(number: int, noun: str) -> str:
    """The number with its noun, whose plural ends in s; digits without marks, so that a program reads them too."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
