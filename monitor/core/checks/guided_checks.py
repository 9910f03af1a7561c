"""The guided checks: which there are, which runs, what came of each, and when each is due.

Theory of operation
    The crew starts a check, does its steps by the site's own procedure, and tells the monitor of those that only the
    crew can know of. The monitor watches, measures and judges; it moves nothing. `PROCEDURES` is the table of all of
    them. One check runs at a time.

    run        on                                            becomes
    idle       CHECK_START of a check the rig can run        first step
    a step     CHECK_STEP, where it is the crew's to end     next step
    a step     its judge is satisfied                        next step
    last step  its judge settles the check                   idle; pass, fail or not judged
    any        CHECK_ABORT, or `LONGEST_S` since the start   idle; not judged

    A step may bring about alarms that nobody has to answer: it names their rules (`Step.expects`), and they are suppressed by
    design while the procedure's `as_tested` finds that the block does what the test does. They are back at the grid point
    at which it does not, or the check has ended.

    Nothing passes on a reading that was not known: see `monitor.core.checks.procedure`. Each start, step, refusal and result
    is a finding of kind "check", with who in its words and its time when.

    A check is due when it was last passed longer ago than its interval, or before the last cut and slip. A check that
    failed or was not judged is as due as before. A record that knows of no pass at all gives the crew a grace first.
"""

from collections.abc import Mapping
from typing import Any, Final

from monitor.config.rig import Rig
from monitor.core.checks.brake_stops import STOPS
from monitor.core.checks.brakes import AUXILIARY, HOLDING, LEAK_DOWN
from monitor.core.checks.height_reference import REFERENCE, record_cut, record_reference
from monitor.core.checks.overtravel import OVERTRAVEL
from monitor.core.checks.procedure import (
    FAIL,
    LONGEST_S,
    NOT_JUDGED,
    NOTHING,
    PASS,
    Conclusion,
    Procedure,
    Run,
    seconds,
)
from monitor.core.signals.grid_point import GridPoint
from monitor.core.signals.table import SIGNALS
from monitor.model.alarm import Finding, Severity
from monitor.model.check import CheckReading, CheckResult, CheckStepView, CheckVerdict, CheckView
from monitor.model.reading import Validity, Value
from monitor.text import printable

PROCEDURES: Final[tuple[Procedure, ...]] = (OVERTRAVEL, HOLDING, LEAK_DOWN, REFERENCE, AUXILIARY, STOPS)
"""Every guided check, in the order of the screen. To add one, add a row."""
STATE_FORMAT: Final = 1
_BY_ID: Final = {procedure.id: procedure for procedure in PROCEDURES}
_ROWS: Final = {signal.name: signal for signal in SIGNALS}
_HOUR_NS: Final = 3_600_000_000_000
_NEVER: Final = 1 << 62


class Checks:
    """All guided checks of one rig. Pure: what it says depends on the calls made to it and on nothing else."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._unfit = {procedure.id: procedure.unfit(rig) for procedure in PROCEDURES}
        self._run: Run | None = None
        self._now: GridPoint | None = None
        """What was last looked at, for the views."""
        self._t_ns = 0
        self._start_ns: int | None = None
        self._cut_ns: int | None = None
        self._results: dict[str, CheckResult] = {}
        self._passed_ns: dict[str, int] = {}
        self._overtravel_due_ns = _NEVER
        self.expected = NOTHING
        """Ids of the rules that the running check brings about at the last grid point."""

    # --- what the crew does -----------------------------------------------------------------------------------------

    def start(self, t_ns: int, id: str, who: str) -> list[Finding]:
        """Start the check `id`; refused, in words, when there is none, the rig cannot run it, or another one runs."""
        procedure = _BY_ID.get(id)
        if procedure is None:
            return [_refused(t_ns, id, f"there is no check {printable(id)!r}; there are {', '.join(_BY_ID)}")]
        if self._unfit[id]:
            return [_refused(t_ns, id, f"{procedure.title} cannot be run: {self._unfit[id]}")]
        if self._run is not None:
            return [_refused(t_ns, id, f"{_BY_ID[self._run.id].title} is running: end it first")]
        self._run = run = Run(id, printable(who, 12), t_ns)
        words = f"{procedure.title} started{_by(run.who)}: {procedure.steps[0].words}"
        return [Finding(t_ns, "check", id, Severity.NOTICE, "", _place(procedure, 0), words)]

    def step(self, t_ns: int, id: str, who: str) -> list[Finding]:
        """The crew says that the present step is done. Refused while the step's own judge objects, and for steps that
        end by what is measured."""
        run = self._run
        if run is None or id not in ("", run.id):
            return [_refused(t_ns, id, "this check is not running")]
        procedure = _BY_ID[run.id]
        step = procedure.steps[run.step]
        if not step.crew:
            return [_refused(t_ns, run.id, f"this step ends by itself: {run.hint or 'it is being watched'}")]
        if self._now is None:
            return [_refused(t_ns, run.id, "nothing has been read yet")]
        outcome = step.judge(run, self._now)
        if outcome is False:
            return [_refused(t_ns, run.id, f"not yet: {run.hint}")]
        return self._after(t_ns, procedure, run, outcome, printable(who, 12))

    def abort(self, t_ns: int, id: str, who: str) -> list[Finding]:
        """The crew ends the running check without a verdict."""
        run = self._run
        if run is None or id not in ("", run.id):
            return [_refused(t_ns, id, "this check is not running")]
        return self._conclude(t_ns, run, Conclusion(NOT_JUDGED, f"ended{_by(printable(who, 12)) or ' by the crew'}"))

    def reference(self, height_m: float, before_m: float, speed_m_s: float) -> None:
        """A height reference was taken; `before_m` and `speed_m_s` were read just before (NaN where not known)."""
        if self._run is not None and self._run.id == REFERENCE.id:
            record_reference(self._run, height_m, before_m, speed_m_s)

    def slip_and_cut(self, t_ns: int) -> None:
        """A cut and slip was taken: what it makes due is due now."""
        self._cut_ns = t_ns
        if self._run is not None and self._run.id == REFERENCE.id:
            record_cut(self._run)
        self._update_due()

    # --- the grid ---------------------------------------------------------------------------------------------------

    def evaluate(self, t_ns: int, now: GridPoint) -> list[Finding]:
        """Watch at the grid point `t_ns`; next to nothing while no check runs."""
        self._t_ns = t_ns
        self._now = now
        if self._start_ns is None:
            self._start_ns = t_ns
            self._update_due()
        self.expected = NOTHING
        running = self._run
        if running is None:
            return []
        findings = self._watch(t_ns, now, running)
        if self._run is running:  # it has not ended here
            procedure = _BY_ID[running.id]
            expects = procedure.steps[running.step].expects
            if expects and procedure.as_tested(running, now):
                self.expected = expects
        return findings

    def _watch(self, t_ns: int, now: GridPoint, run: Run) -> list[Finding]:
        """Let the present step's judge look."""
        if seconds(now, run.started_ns) > LONGEST_S:
            tail = f"; still waited for: {run.hint}" if run.hint else ""
            return self._conclude(
                t_ns, run, Conclusion(NOT_JUDGED, f"not finished within {LONGEST_S / 60:.0f} min{tail}")
            )
        procedure = _BY_ID[run.id]
        step = procedure.steps[run.step]
        outcome = step.judge(run, now)
        if outcome is False or (step.crew and outcome is True):
            return []
        return self._after(t_ns, procedure, run, outcome, "")

    def overtravel_due(self, t_ns: int) -> bool:
        """Whether the overtravel device waits for its test."""
        return t_ns >= self._overtravel_due_ns

    def _after(self, t_ns: int, procedure: Procedure, run: Run, outcome: bool | Conclusion, who: str) -> list[Finding]:
        if isinstance(outcome, Conclusion):
            return self._conclude(t_ns, run, outcome)
        before = _place(procedure, run.step)
        run.step += 1
        run.step_ns = t_ns
        run.hint, run.progress = "", 0.0
        words = f"{procedure.title}{_by(who)}: {procedure.steps[run.step].words}"
        return [Finding(t_ns, "check", run.id, Severity.NOTICE, before, _place(procedure, run.step), words)]

    def _conclude(self, t_ns: int, run: Run, conclusion: Conclusion) -> list[Finding]:
        procedure = _BY_ID[run.id]
        self._run = None
        readings = tuple(run.measured.values())
        self._results[run.id] = CheckResult(t_ns, run.who, conclusion.verdict, conclusion.reason, readings)
        if conclusion.verdict is PASS:
            self._passed_ns[run.id] = t_ns
        self._update_due()
        failed = conclusion.verdict is FAIL
        first = next((reading for reading in readings if reading.limit is not None and reading.value.known), None)
        return [
            Finding(
                t_ns,
                "check",
                run.id,
                Severity.CAUTION if failed else Severity.NOTICE,
                _place(procedure, run.step),
                str(conclusion.verdict),
                f"{procedure.title}{_by(run.who)}: {conclusion.verdict}: {conclusion.reason}",
                procedure.look_at if failed else "",
                first.value.number if first else None,
                first.limit if first else None,
            )
        ]

    # --- due --------------------------------------------------------------------------------------------------------

    def _due_ns(self, procedure: Procedure) -> int | None:
        """When it is or was due; None when nothing makes it due yet."""
        if self._unfit[procedure.id]:
            return None
        passed, every = self._passed_ns.get(procedure.id), procedure.every_h(self._rig.checks)
        times = []
        if procedure.after_cut and self._cut_ns is not None and (passed is None or passed <= self._cut_ns):
            times.append(self._cut_ns)
        if every is not None and passed is not None:
            times.append(passed + round(every * _HOUR_NS))
        elif every is not None and self._start_ns is not None:
            times.append(self._start_ns + round(self._rig.checks.first_grace_h * _HOUR_NS))
        return min(times, default=None)

    def _update_due(self) -> None:
        due = self._due_ns(OVERTRAVEL)
        self._overtravel_due_ns = _NEVER if due is None else due

    def _due_words(self, procedure: Procedure, due: bool) -> str:
        """Why it is due, or what will make it due."""
        if self._unfit[procedure.id]:
            return ""
        passed, every = self._passed_ns.get(procedure.id), procedure.every_h(self._rig.checks)
        since_cut = procedure.after_cut and self._cut_ns is not None and (passed is None or passed <= self._cut_ns)
        if since_cut:
            return "not passed since the cut and slip"
        if every is None:
            return "after each cut and slip" if procedure.after_cut else "whenever the crew wants to know"
        if passed is None:
            return "never passed in this record"
        interval = f"{every:g} h" + (" and after each cut and slip" if procedure.after_cut else "")
        return f"passed more than {every:g} h ago" if due else f"every {interval}"

    # --- output -----------------------------------------------------------------------------------------------------

    def views(self) -> tuple[CheckView, ...]:
        """All checks, as a screen shows them, at the last grid point. Changes nothing."""
        return tuple(self._view(procedure) for procedure in PROCEDURES)

    def _view(self, procedure: Procedure) -> CheckView:
        run = self._run if self._run is not None and self._run.id == procedure.id else None
        at = run.step if run else -1
        due_ns = self._due_ns(procedure)
        due = due_ns is not None and self._t_ns >= due_ns
        return CheckView(
            id=procedure.id,
            title=procedure.title,
            about=procedure.about,
            unfit=self._unfit[procedure.id],
            due=due,
            due_ns=due_ns,
            due_words=self._due_words(procedure, due),
            running=run is not None,
            steps=tuple(
                CheckStepView(step.words, "now" if i == at else "done" if i < at else "open", step.crew)
                for i, step in enumerate(procedure.steps)
            ),
            since_ns=run.started_ns if run else None,
            who=run.who if run else "",
            hint=run.hint if run else "",
            progress=run.progress if run else 0.0,
            readings=self._readings(procedure, run) if run else (),
            result=self._results.get(procedure.id),
            passed_ns=self._passed_ns.get(procedure.id),
        )

    def _readings(self, procedure: Procedure, run: Run) -> tuple[CheckReading, ...]:
        """What the present step watches, then what has been measured; equipment the rig lacks is left out."""
        now = self._now
        if now is None:
            return ()
        watched = []
        for name in procedure.steps[run.step].watch:
            row = _ROWS[name]
            number, validity = row.flag(now)
            if validity != Validity.NOT_FITTED:
                watched.append(CheckReading(row.label, Value(number, Validity(validity)), row.dimension))
        return (*watched, *run.measured.values())

    # --- restart ----------------------------------------------------------------------------------------------------

    @property
    def running(self) -> bool:
        """Whether a check is being done."""
        return self._run is not None

    def state(self) -> dict[str, Any]:
        """What a restart needs, JSON-able: results, passes and the last cut. A running check does not live on."""
        run = self._run
        return {
            "format": STATE_FORMAT,
            "t_ns": self._t_ns,
            "start_ns": self._start_ns,
            "cut_ns": self._cut_ns,
            "passed_ns": dict(self._passed_ns),
            "running": {"id": run.id, "who": run.who} if run else None,
            "results": {
                id: {"t_ns": r.t_ns, "who": r.who, "verdict": str(r.verdict), "reason": r.reason}
                for id, r in self._results.items()
            },
        }

    def restore(self, saved: Mapping[str, Any]) -> None:
        """Take up what `state` gave. A check that ran then has ended as not judged. Checks that are no longer in the
        table are left out.

        Raises:
            ValueError: it is not such a state; nothing is taken up then.
        """
        if saved.get("format") != STATE_FORMAT:
            raise ValueError(f"checks cannot be restored: format {saved.get('format')!r}, expected {STATE_FORMAT}")
        try:
            t_ns = _time(saved["t_ns"])
            start_ns = None if saved["start_ns"] is None else _time(saved["start_ns"])
            cut_ns = None if saved["cut_ns"] is None else _time(saved["cut_ns"])
            passed = {str(id): _time(at) for id, at in saved["passed_ns"].items() if id in _BY_ID}
            results = {
                str(id): CheckResult(
                    _time(r["t_ns"]),
                    printable(str(r["who"]), 12),
                    CheckVerdict(r["verdict"]),
                    printable(str(r["reason"]), 400),
                )
                for id, r in saved["results"].items()
                if id in _BY_ID
            }
            running = saved["running"]
            if running is not None and running["id"] in _BY_ID:
                who = printable(str(running["who"]), 12)
                results[str(running["id"])] = CheckResult(t_ns, who, NOT_JUDGED, "the monitor was restarted meanwhile")
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
            raise ValueError(f"checks cannot be restored: {error!r}") from None
        self._run, self.expected = None, NOTHING
        self._start_ns, self._cut_ns, self._passed_ns, self._results = start_ns, cut_ns, passed, results
        self._update_due()


def _time(value: Any) -> int:
    if not isinstance(value, int) or value < 0:
        raise ValueError(f"{value!r} is no time")
    return value


def _by(who: str) -> str:
    return f" by {who}" if who else ""


def _place(procedure: Procedure, step: int) -> str:
    return f"step {step + 1} of {len(procedure.steps)}"


def _refused(t_ns: int, id: str, why: str) -> Finding:
    return Finding(t_ns, "check", printable(id, 40), Severity.NOTICE, "", "refused", why)
