"""From what an attempt left on disk to its metrics and its judgement."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TypeVar

from harness import inside
from harness.boundary import note_fault, told
from harness.checks import AttemptEvidence, judge, summary_evidence, telemetry_evidence
from harness.checks.gaps import reading_gaps_s
from harness.engine.attempt import Running
from harness.engine.history import History
from harness.engine.messages import Judged
from harness.engine.plugin_metrics import plugin_metrics
from harness.engine.power_rhythm import summarise
from harness.engine.reread import KNOWN_BEFORE, PLACE_EVENT
from harness.engine.window_frames import Place, WindowFrames, window_frames
from harness.errors import SeamError, StoreError
from harness.frames.bounds import require_regular_file
from harness.frames.defined import Definitions
from harness.frames.metrics import per_second_fps
from harness.lines import missing_in_file
from harness.plan.schema import Plan
from harness.plan.steps_table import STEP_FILES
from harness.reasons import permanent_code
from harness.rig import Rig, Workload
from harness.rig import measured as tell_measured
from harness.store.campaign import CampaignStore
from harness.tables import TELEMETRY
from harness.telemetry.provenance import with_sources
from harness.titlefiles import unmet_lines

T = TypeVar("T")


def save_telemetry(running: Running, store: CampaignStore) -> None:
    """Write the attempt's telemetry table, once; the stream that would survive a crash is then dropped."""
    if running.recording is None or running.telemetry_saved:
        return
    running.telemetry_saved = True
    table = running.telemetry_table()
    if table is not None:
        store.write_table(running.ref, "telemetry", with_sources(table, running.channels))
    running.recording.partial.discard()


def keep_evidence(running: Running, store: CampaignStore) -> None:
    """Keep what an attempt left, however it ended: its telemetry, its output, what companions left."""
    save_telemetry(running, store)
    title = running.cell.title
    names = [name for one in title.companions for name in one.leaves]
    names += STEP_FILES if title.steps else ()
    left = [running.ref.folder / name for name in names]
    for path in (running.output_path, *left):
        if inside.is_file(store.folder, path):
            store.keep_file(running.ref, path, path.name)
            inside.remove(store.folder, path)


def ingest_and_judge(
    running: Running, plan: Plan, rig: Rig, store: CampaignStore, history: History
) -> Judged:
    """Read the frame log, cut it to the window, compute the metrics, make the checks.

    The metrics are kept in ``running`` whatever the judgement: a rejected attempt is shown with its numbers.
    Each part is read whatever became of the others; one that can't be read rejects the attempt.

    Raises:
        StoreError: What was read can't be kept.
    """
    save_telemetry(running, store)
    workload = running.workload
    assert workload is not None, "nothing was launched"
    if running.window_start_s is not None and running.window_end_s is not None:
        tell_measured(workload, running.window_start_s, running.window_end_s)
    measured, parts, known = running.measured, _Parts(), _known(running, history)
    measured.frames = parts.read("frame-log", lambda: _frames(running, plan, rig, store, workload, known))
    measured.score = parts.read("score", workload.score)
    evidence = known if measured.frames is None else measured.frames.evidence(known)
    evidence = parts.read("telemetry", lambda: _with_telemetry(evidence, running, history)) or evidence
    table = running.telemetry_table()
    measured.added, faults = plugin_metrics(
        evidence.frametime_ms, table, running.measured_s, measured.columns(), Definitions.of(plan)
    )
    for text in faults:
        running.mark(text)
    judgement = running.judgement = judge(evidence, plan.checks)
    if parts.unread is not None:
        return parts.unread
    for fault in judgement.faults:
        note_fault("a check", fault)
    history.add_gpu_programs(running.gpu_programs)
    if judgement.accepted and not running.lost_hold and measured.frames is not None:
        history.add_course(running.cell.cell_id, per_second_fps(evidence.frametime_ms))
    for text in judgement.marks:
        running.mark(text)
    if running.lost_hold:  # no plan can take this for a mark
        lost = running.lost_hold
        return Judged(False, lost.code, f"read back at the window's end: {lost.why}")
    return Judged(judgement.accepted, judgement.reason_code, judgement.reason)


class _Parts:
    """Reads the parts of an attempt.

    Attributes:
        unread: The rejection by the first part that could not be read; None while all could.
    """

    def __init__(self) -> None:
        self.unread: Judged | None = None

    def read(self, code: str, part: Callable[[], T]) -> T | None:
        """What that part gives; None where it can't be read, which rejects the attempt by ``code``."""
        try:
            return part()
        except StoreError:
            raise
        except Exception as error:
            note_fault(f"the {code} of an attempt", error)
            permanent = isinstance(error, SeamError) and error.permanent
            found = Judged(False, permanent_code(code) if permanent else code, told(error))
            self.unread = self.unread or found
            return None


def _known(running: Running, history: History) -> AttemptEvidence:
    """Evidence that needs no log."""
    title = running.cell.title
    # One that ignores the request to end writes on until it is ended.
    ended_s, launch_s = running.ended_s or running.window_end_s, running.launch_s
    return AttemptEvidence(
        planned_s=title.measure_s,
        measured_s=running.measured_s,
        running_s=None if ended_s is None or launch_s is None else ended_s - launch_s,
        start_temp_c=running.start_temp_c,
        usual_start_temp_c=history.usual_start_temp_c,
        first_ambient_temp_c=history.first_ambient_temp_c,
        gpu_programs=running.gpu_programs,
        usual_gpu_programs=history.usual_gpu_programs,
        profile_messages=tuple(running.not_in_force),
        missing_lines=(*missing_in_file(running.output_path, title.expect_lines), *_unmet(running)),
        other_fps=history.other_fps(running.cell.cell_id),
        usual_scatter=history.usual_scatter(running.cell.cell_id),
        other_courses=history.other_courses(running.cell.cell_id),
    )


def _unmet(running: Running) -> tuple[str, ...]:
    """Lines that the title's own files lack, where the plan says what they must show."""
    title = running.cell.title
    if not any(spec.expect_lines for spec in title.files):
        return ()
    return unmet_lines(title, running.home.absolute() if title.private_home else None)


def _frames(
    running: Running,
    plan: Plan,
    rig: Rig,
    store: CampaignStore,
    workload: Workload,
    known: AttemptEvidence,
) -> WindowFrames | None:
    """What the frame log gives; table, original log and account are stored. None for a title without one.

    Raises:
        FrameLogError: It can't be read.
    """
    assert running.window_start_s is not None
    assert running.window_end_s is not None
    source = workload.frame_log()
    if source is None:
        return None
    if source.path.is_file():
        require_regular_file(source.path)  # before the copy: one of a terabyte would hold the night up
        store.keep_file(running.ref, source.path, f"frame-log{source.path.suffix}")
    place = Place(
        file=f"frame-log{source.path.suffix}",
        suffix=source.path.suffix,
        window_start_s=running.window_start_s,
        window_end_s=running.window_end_s,
        measured_s=running.measured_s,
        launch_s=running.launch_s,
        ended_s=rig.clock.now_s(),
        clock_offset_s=source.clock_offset_s,
        clock_markers=tuple(source.clock_markers),
        pass_starts_s=tuple(running.pass_starts_s),
    )
    attempt_id = running.ref.attempt_id
    store.note(
        PLACE_EVENT,
        f"{attempt_id}: where its frame log belongs",
        attempt_id=attempt_id,
        measured_hash=running.cell.measured_hash,
        place=dataclasses.asdict(place),
        known={name: getattr(known, name) for name in KNOWN_BEFORE},
    )
    found = window_frames(rig.read_frame_log(source), place, running.telemetry_table(), Definitions.of(plan))
    store.write_table(running.ref, "frames", found.table)
    for mark in found.marks:
        running.mark(mark)
    store.note(
        "frame-account",
        f"{attempt_id}: {found.rows_read} rows read, {found.table.num_rows} inside the window",
        attempt_id=attempt_id,
        **found.account,
    )
    return found


def _with_telemetry(known: AttemptEvidence, running: Running, history: History) -> AttemptEvidence:
    """What is known, with what the telemetry tells; the same where nothing was recorded."""
    measured_s, frames = running.measured_s, running.measured.frames
    table = running.telemetry_table()
    if not measured_s or (table is None and not running.core):
        return known
    if table is None:
        table = TELEMETRY.empty_table()
    sources = {quantity: channel.source for quantity, (_, channel) in running.channels.items()}
    found = summarise(table, measured_s, frames, history.power_sensor, sources)
    for text in found.summary.marks:
        running.mark(text)
    running.measured.telemetry = found.summary
    seen = telemetry_evidence(known, table, measured_s, history.memory_total_mib)
    return dataclasses.replace(
        summary_evidence(seen, found.summary),
        power_on_rhythm=found.on_rhythm,
        reading_gaps_s=reading_gaps_s(table, measured_s, running.fresh_for_s),
        core_quantities=running.core,
    )
