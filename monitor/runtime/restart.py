"""The state of the run before, at its last recorded moment.

The recorder keeps the core's state once a minute. What came after that, up to a crash if there was one, is in the session as
inputs. So a fresh core restores the last checkpoint and replays what came after it: a minute at most, a fraction of a second's
work. Its state is then the first input of the new run, so that a restart is recorded like everything else.
"""

import json
import logging
from collections.abc import Iterator, Mapping
from itertools import chain, takewhile
from pathlib import Path
from typing import Any, Final

from monitor.adapters.sessions.folder import session_files
from monitor.adapters.sessions.format import SessionError
from monitor.adapters.sessions.reader import SessionReader
from monitor.core.engine import Core
from monitor.errors import UserError
from monitor.model.reading import Sample
from monitor.model.stream import Action, Frame
from monitor.runtime.assembly import core_of
from monitor.runtime.runner import Runner
from monitor.runtime.session_feed import begin
from monitor.text import harmless

CATCH_UP_NS: Final = 600_000_000_000
"""Most stream time that is replayed. A checkpoint comes about every minute; the bound is for sessions with damaged times."""
LOG = logging.getLogger(__name__)


def state_of_last_run(
    folder: Path, rig: str, last: Path | None = None, except_for: Path | None = None
) -> Mapping[str, Any]:
    """`Core.state` at the end of the latest live run of `rig` recorded in `folder`; empty where there is none to use.

    The session `last` is taken first; without it, or where it is of no use, the one with the latest name. Sessions that cannot
    be read are skipped with a warning in the log; `except_for`, the session being recorded, without.
    """
    by_name = [path for path in reversed([*session_files(folder, rig)]) if path not in (last, except_for)]
    for path in by_name if last is None else (last, *by_name):
        try:
            with SessionReader(path) as session:
                if session.mode != "LIVE" or session.end_ns == 0:
                    continue
                if not session.checkpoint_times():
                    LOG.warning("%s keeps no state: alarms, references and sums begin anew", path.name)
                    return {}
                core = core_of(session.rig, session.rules_text, f"{path}: rules", session.header)
                # Not before the last checkpoint: what came earlier is in it.
                _catch_up(core, begin(core, session, session.end_ns, settle_s=0.0, damaged="skip"), session.end_ns)
                if core.now_ns:
                    return core.state()
                # Nothing came after the checkpoint, and so nothing has told the core what time it was.
                kept = session.checkpoint_before(session.end_ns)
                if kept is not None:
                    json.dumps(kept.state, allow_nan=False)  # it is to be written as it is
                    return kept.state
        except (SessionError, UserError, ValueError, OSError) as error:
            LOG.warning("%s: what it left cannot be used: %s", path.name, harmless(str(error)))
    return {}


def _catch_up(core: Core, inputs: Iterator[Frame | Sample | Action], end_ns: int) -> None:
    """Feed what came after the last checkpoint, up to `end_ns`, but no more than `CATCH_UP_NS` of it."""
    first = next(inputs, None)
    if first is not None:
        end_ns = min(end_ns, first.t_ns + CATCH_UP_NS)
        Runner(core).replay(takewhile(lambda item: item.t_ns <= end_ns, chain((first,), inputs)), end_ns)
