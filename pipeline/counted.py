"""Numbers of things in words: `1 site`, `2 sites`."""


def counted(number: int, noun: str, plural: str | None = None, *, marks: str = "") -> str:
    """The number with its noun, whose plural ends in s unless it is given; `marks` set thousands apart.

    What a program may read has no marks.
    """
    return f"{number:{marks}} {noun if number == 1 else plural or noun + 's'}"
