"""XML from strangers, read piece by piece: no document types, no entities, bounded depth, text and size.

Expat with its handlers refuses a DOCTYPE at its first sign, and with it every entity, internal or external: the same means by
which hardened XML libraries work, without a tree, so that memory stays flat however long the document is. What such
libraries leave open is bounded here too: the depth, the text of one element, one tag, and the whole.
"""

from collections.abc import Callable
from typing import IO, Final
from xml.parsers import expat

from monitor.adapters.tables.readers.table import FieldLogError

MOST_DEPTH: Final = 32
"""A WITSML log is 6 deep."""
MOST_TEXT: Final = 1 << 20
"""Characters in one element."""
MOST_SILENT_BYTES: Final = 4 << 20
"""So many bytes without a tag or text are one tag of that length, and no tag is."""
MOST_BYTES: Final = 8 << 30
CHUNK_BYTES: Final = 1 << 16


class SafeXml:
    """Calls `start(name, attributes)` and `end(name, text)` for elements, namespace and local name parted by a space.

    `text` is what stands directly in the element.
    """

    def __init__(
        self, name: str, start: Callable[[str, dict[str, str]], None], end: Callable[[str, str], None]
    ) -> None:
        self._name, self._start, self._end = name, start, end
        self._depth = self._fed = self._silent = self._held = 0
        self._texts: list[list[str]] = []
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartElementHandler = self._begin
        parser.EndElementHandler = self._finish
        parser.CharacterDataHandler = self._take
        parser.StartDoctypeDeclHandler = self._refuse
        parser.EntityDeclHandler = self._refuse
        parser.ExternalEntityRefHandler = self._refuse
        parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        self._parser = parser

    @property
    def line(self) -> int:
        """Line of the document at which the last element began or ended."""
        return self._parser.CurrentLineNumber

    def feed(self, piece: bytes) -> None:
        """The next bytes of the document; none at its end.

        Raises:
            FieldLogError: it is no sound document, or has what is refused here.
        """
        self._fed += len(piece)
        self._silent += len(piece)
        if self._fed > MOST_BYTES:
            raise FieldLogError(f"{self._name}: is larger than {MOST_BYTES >> 30} GiB; cut it into several files")
        if self._silent > MOST_SILENT_BYTES:
            raise self._error(f"has a tag or a comment of more than {MOST_SILENT_BYTES >> 20} MiB")
        try:
            self._parser.Parse(piece, not piece)
        except expat.ExpatError as error:
            raise FieldLogError(
                f"{self._name}: line {error.lineno}: is no sound XML ({expat.ErrorString(error.code)})"
            ) from None
        except (ValueError, LookupError) as error:  # an encoding that Python does not know
            raise FieldLogError(f"{self._name}: is in an encoding that cannot be read ({error})") from None

    def _error(self, words: str) -> FieldLogError:
        return FieldLogError(f"{self._name}: line {self.line}: {words}: refused")

    def _refuse(self, *_: object) -> int:
        raise self._error("declares a document type or an entity, which no log needs and attacks use")

    def _begin(self, name: str, attributes: dict[str, str]) -> None:
        self._silent = 0
        self._depth += 1
        if self._depth > MOST_DEPTH:
            raise self._error(f"elements lie more than {MOST_DEPTH} deep in each other")
        self._texts.append([])
        self._start(name, attributes)

    def _take(self, text: str) -> None:
        self._silent = 0
        self._held += len(text)
        if self._held > MOST_TEXT:
            raise self._error(f"one element has more than {MOST_TEXT} characters of text")
        self._texts[-1].append(text)

    def _finish(self, name: str) -> None:
        self._silent = 0
        self._depth -= 1
        text = "".join(self._texts.pop())
        self._held -= len(text)
        self._end(name, text)


class _RootSeen(Exception):
    """The prolog is over."""


def check_prolog(name: str, stream: IO[bytes]) -> None:
    """Read a document up to its root element, for what may stand before it: a document type would.

    Raises:
        FieldLogError: it has one, or has no root element.
    """

    def seen(*_: object) -> None:
        raise _RootSeen

    xml = SafeXml(name, seen, seen)
    try:
        while piece := stream.read(CHUNK_BYTES):
            xml.feed(piece)
        xml.feed(b"")
    except _RootSeen:
        return
