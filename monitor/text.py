"""Words from outside made safe to show, to keep and to write."""

from unicodedata import combining, normalize


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


def printable(text: str, limit: int = 60) -> str:
    """`text` from outside, safe to keep and show: control characters replaced, cut to `limit`."""
    return "".join(ch if ch.isprintable() else "\ufffd" for ch in text[:limit])


def clean_text(text: str) -> str:
    """`text` without what UTF-8 cannot carry (half of a surrogate pair becomes a question mark)."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return text.encode("utf-8", "replace").decode("utf-8")
    return text


def plain_letters(text: str) -> str:
    """`text` without accents: "é" as "e"."""
    return "".join(char for char in normalize("NFD", text) if not combining(char))
