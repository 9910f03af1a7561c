"""Tour: the hand-over of the tour on one page, signed by the oncoming driller."""

from typing import Final

from monitor.language import tr, tr_n
from monitor.model.alarm import Severity
from monitor.model.stream import ActionKind
from monitor.presentation import hand_over
from monitor.ui.drawing.canvas import Area, printable
from monitor.ui.drawing.theme import TEXT_ROLE, marked
from monitor.ui.keys import crew
from monitor.ui.keys.key import Key, ScreenContext
from monitor.ui.keys.list_keys import SECTION_KEYS
from monitor.ui.queries import standing
from monitor.ui.view import View
from monitor.ui.widgets import sections
from monitor.ui.widgets.sections import Item, Section

TITLE = "Tour"
_TWO_COLUMNS: Final = 110
HELP = "hand-over on one page: what stands, was raised, set aside, tested, is due; the oncoming driller signs it"


def draw(area: Area, view: View) -> tuple[str, ...]:
    """The body of the screen."""
    # Sentences: two columns only where each has room for one.
    return sections.searched(area, contents(view), view.screen_state, 1 if area.width < _TWO_COLUMNS else 2)


def contents(view: View) -> list[Section]:
    """The page as sections."""
    facts = view.facts
    page = hand_over.parts(view.snap, view.rig, view.units, facts.tour, facts.brake_trends, view.who)
    return [Section(part.title, tuple(map(_item, part.rows))) for part in page]


def _item(row: hand_over.Row) -> Item:
    words = printable(row.words)
    if row.severity is None:
        return Item(printable(row.label), (words,), "base" if row.words else "dim", free=True)
    return Item(printable(row.label), (marked(words, row.severity),), TEXT_ROLE[row.severity], free=True)


def _sign(context: ScreenContext) -> None:
    """The oncoming driller takes the tour over."""

    def take(text: str) -> None:
        snap = context.snapshot()
        if snap is None:
            return
        initials = text.upper()
        tour, before = context.driver.facts().tour, crew.on_tour(context)
        words = hand_over.summary(snap, context.units, tour, initials, before)
        context.who, context.who_since_ns, context.crew = initials, snap.t_ns, (initials,)
        crew.act(context, ActionKind.HAND_OVER, tr("Signed: {initials} has the tour.", initials=initials), text=words)

    snap = context.snapshot()
    grave = [alarm for alarm in (standing(snap) if snap else []) if alarm.severity >= Severity.WARNING]
    stands = tr_n(" {n} of WARNING or DANGER stands.", " {n} of WARNING or DANGER stand.", len(grave)) if grave else ""
    explain = tr(
        "The oncoming driller's initials: read the page and seen it on the rig.{stands} Kept in record and ledger.",
        stands=stands,
    )
    crew.run(context, lambda: context.ask(tr("Sign the hand-over"), explain, r"[A-Za-z]*", 4, take), ask=False)


KEYS: tuple[Key, ...] = (
    Key("i", _sign, "sign", "the oncoming driller signs the hand-over with initials and has the tour", where="live"),
    *SECTION_KEYS,
)
