"""`stopmark handover`: the hand-over of a tour on one page, to read or to print."""

import argparse
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Final

from monitor.commands.common.screen import add_language_arguments, choose_words
from monitor.commands.common.session_range import session_path
from monitor.errors import UserError
from monitor.language import msgid, tr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.adapters.ledger.trend import BrakeTrend
    from monitor.presentation.hand_over import Part

WIDTH: Final = 96
"""Columns of the text: what a printed page holds in a plain font."""
_LABEL: Final = 18
_TITLE: Final = msgid("Hand-over of the tour")
_ADVICE: Final = msgid(
    "Advisory only: it replaces no handover by word of mouth, no look at the rig, no procedure of the site."
)
_LINES: Final = msgid(
    "Off-going driller ____________________    Oncoming driller ____________________    Time __________"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's words."""
    parser.add_argument(
        "sessions", metavar="SESSION", nargs="*", type=session_path,
        help="sessions of the tour (default: what the rig's live runs recorded)",
    )  # fmt: skip
    parser.add_argument("--rig", metavar="NAME", help="name of the rig (default: the only one recorded there)")
    parser.add_argument("--data", metavar="DIR", help="folder of sessions and ledger (default: the user's data folder)")
    parser.add_argument(
        "--signed", action="store_true", help="the tour that the last signature ended, not the one under way"
    )
    parser.add_argument(
        "-o", "--out", metavar="FILE", type=Path, help="page to write, .html or .txt (default: text to the terminal)"
    )
    parser.add_argument("--units", choices=("si", "metric", "field"), help="units (default: the rig's)")
    add_language_arguments(parser)
    parser.add_argument("--force", action="store_true", help="replace the file if it exists")


def run(args: argparse.Namespace) -> int:
    """Write the page."""
    from monitor.adapters.host.output_file import check_out, write_whole
    from monitor.adapters.sessions.chain import SessionChain
    from monitor.adapters.sessions.folder import data_folder
    from monitor.adapters.sessions.tour import TourLog, belongs, findings_of_tour, signed_tour
    from monitor.presentation.format import Units, clock
    from monitor.presentation.hand_over import parts
    from monitor.presentation.in_language import in_language
    from monitor.runtime.replay import ReplayDriver
    from monitor.text import harmless

    choose_words(args)
    if args.out is not None:
        check_out(args.out, (".html", ".htm", ".txt"), args.force, args.sessions)
    folder = args.sessions[0].parent if args.sessions and not args.data else data_folder(args.data)
    paths = args.sessions or [_live_session(folder, args.rig)]
    with SessionChain(paths) as chain:
        rig, at_ns, name = chain.rig, chain.end_ns, chain.name
        rules = chain.rules_text, f"{name}: rules"
        findings = [finding for finding in chain.findings() if belongs(finding)]
    if not args.sessions:
        findings = findings_of_tour(folder, rig.name, at_ns)
    tour, signature = TourLog(findings).tour(at_ns), ""
    if args.signed:
        found = signed_tour(findings)
        if found is None:
            raise UserError(f"{name}: nobody has signed a hand-over in it")
        tour, signed = found
        at_ns, signature = (
            signed.t_ns,
            tr(
                "Signed {clock} UTC by {who}: {message}",
                clock=clock(signed.t_ns, date=True),
                who=signed.after,
                message=signed.message,
            ),
        )
        paths = args.sessions or [_live_session(folder, rig.name, at_ns)]
    with SessionChain(paths) as chain:
        snap = ReplayDriver(chain, 1.0, from_ns=at_ns, paused=True).snapshot()
    if snap is None:
        raise UserError(f"{name}: holds no readings")
    page = parts(in_language(snap), rig, Units(args.units or rig.units), tour, _trends(folder, rig.name, rules))
    head = tr("{rig}, state at {clock} UTC", rig=rig.title, clock=clock(at_ns, date=True))
    if args.out is None:
        print(harmless(_as_text(head, page, signature)))
        return 0
    as_page = _as_text if args.out.suffix.lower() == ".txt" else _as_html
    write_whole(args.out, as_page(head, page, signature) + "\n")
    print(f"{args.out}: tour of {rig.name} since {clock(tour.since_ns, date=True)} UTC")
    return 0


def _live_session(folder: Path, rig: str | None, at_ns: int | None = None) -> Path:
    """The newest live session in `folder` that has readings; of `rig`, and begun before `at_ns`, where given.

    Raises:
        UserError: there is none, or there are those of several rigs.
    """
    from monitor.adapters.sessions.folder import session_files
    from monitor.adapters.sessions.format import SessionError
    from monitor.adapters.sessions.reader import SessionReader

    newest: dict[str, Path] = {}
    for path in session_files(folder, rig):
        try:
            with SessionReader(path) as session:
                if session.mode == "LIVE" and session.end_ns and (at_ns is None or session.t_first_ns <= at_ns):
                    newest[str(session.header["rig"])] = path
        except SessionError:
            continue  # `stopmark sessions verify` says what is wrong with it
    if len(newest) == 1:
        return next(iter(newest.values()))
    if newest:
        raise UserError(f"{folder}: has sessions of {', '.join(sorted(newest))}; say which with --rig NAME")
    of = f" of rig {rig!r}" if rig else ""
    raise UserError(f"{folder}: has no session of a live run{of}; give the sessions, or their folder with --data")


def _trends(folder: Path, rig: str, rules: tuple[str, str]) -> "Sequence[BrakeTrend]":
    """Of the rig's ledger in `folder`, toward the levels of the alarms in `rules`; none where there is no ledger."""
    from monitor.adapters.ledger.alarm_levels import alarm_levels
    from monitor.adapters.ledger.ledger import Ledger, ledger_path
    from monitor.adapters.ledger.trend import brake_trends

    path = ledger_path(folder, rig)
    if not path.exists():
        return ()
    with Ledger(path) as ledger:
        return tuple(brake_trends(ledger.entries(), alarm_levels(*rules)))


def _as_text(head: str, page: "Sequence[Part]", signature: str) -> str:
    lines = [f"{tr(_TITLE)}: {head}", tr(_ADVICE)]
    for part in page:
        lines += ["", part.title]
        for row in part.rows:
            words = wrap(row.words, WIDTH - _LABEL - 2) or [""]
            lines.append(f"  {row.label:<{_LABEL}}{words[0]}".rstrip())
            lines += [" " * (_LABEL + 2) + more for more in words[1:]]
    return "\n".join([*lines, "", *wrap(signature or tr(_LINES), WIDTH)])


def _as_html(head: str, page: "Sequence[Part]", signature: str) -> str:
    from monitor.report import html

    rows = [
        (
            part.title if place == 0 else "",
            row.label if row.severity is None else html.severity(row.severity.name, row.label),
            row.words,
        )
        for part in page
        for place, row in enumerate(part.rows)
    ]
    body = html.table(("|", "|", "<"), rows) + html.paragraph(signature or tr(_LINES))
    return html.page(tr(_TITLE), head, (("tour", "Tour", body),), tr(_ADVICE))
