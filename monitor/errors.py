"""The one base class of errors that are meant for the person at the keyboard, and words that are safe to print."""


class UserError(Exception):
    """Something the user can mend. Its text says what is wrong, where, and what to do; no traceback is shown for it."""


def harmless(text: str) -> str:
    """`text` for a terminal: what is not printable becomes U+FFFD, so that names and words from a stranger's file cannot move
    the cursor, colour the screen or retitle the window. Line ends stay."""
    return "".join(ch if ch.isprintable() or ch == "\n" else "\ufffd" for ch in text)
