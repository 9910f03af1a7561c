"""The one base class of errors that are meant for the person at the keyboard, and words of strangers made safe to show."""


class UserError(Exception):
    """Something the user can mend. Its text says what is wrong, where, and what to do; no traceback is shown for it."""


def harmless(text: str) -> str:
    """`text` for a terminal: what is not printable becomes U+FFFD, so that names and words from a stranger's file cannot move
    the cursor, colour the screen or retitle the window. Line ends stay."""
    return "".join(ch if ch.isprintable() or ch == "\n" else "\ufffd" for ch in text)


def one_line(text: str) -> str:
    """`text` with a space for each character that is not printable, line ends among them."""
    return "".join(ch if ch.isprintable() else " " for ch in text)


def inert(text: str) -> str:
    """`text` as a spreadsheet's cell that stays text: no formula, no control characters."""
    shown = one_line(text)
    return "'" + shown if shown.lstrip()[:1] in ("=", "+", "-", "@") else shown
