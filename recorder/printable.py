"""Text that others wrote, with nothing in it that a terminal would obey."""


def printable(text: object) -> str:
    """`text` with control and format characters as escapes, such as \\x1b. Line ends and tabs stay.

    For all that others wrote: files, names of devices, reasons of a broker, what was heard.
    """
    return "".join(
        each if each.isprintable() or each in "\n\t" else each.encode("unicode_escape").decode() for each in str(text)
    )
