"""A screen written to files: a picture (SVG) and plain text, side by side under one name."""

from itertools import count
from pathlib import Path

from monitor.language import tr
from monitor.presentation.format import clock


def stem(screen: str, t_ns: int) -> str:
    """Name without an ending: which screen, at which stream time (UTC)."""
    at = clock(t_ns, date=True).replace("-", "").replace(":", "").replace(" ", "-")
    return f"stopmark-{screen}-{at}"


def write(folder: str, stem: str, picture: str, text: str) -> str:
    """Write both; nothing that is there already is overwritten. Returns what to tell the person: the names, or why not."""
    place = Path(folder)
    for number in count(1):
        name = stem if number == 1 else f"{stem}-{number}"
        files = place / f"{name}.svg", place / f"{name}.txt"
        if not any(file.exists() for file in files):
            break
    try:
        for file, content in zip(files, (picture, text), strict=True):
            with file.open("x", encoding="utf-8") as stream:
                stream.write(content)
    except OSError as error:
        return tr("Not written to {folder}: {value}.", folder=place.resolve(), value=error.strerror or error)
    return tr("Written: {name}.svg and .txt in {folder}", name=name, folder=place.resolve())
