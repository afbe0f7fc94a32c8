"""A profile that is set by the user's own commands: any other tuning program, on any system.

That a command ended well proves nothing, so a profile needs a proof: a command that reads the setting back,
or what clocks and power must be under load.
"""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.errors import ControlRefused, PluginError, Problem, RestoreUnproven, WorkloadFailed
from harness.guard.times import LONGEST_COMMAND_S
from harness.lines import missing_lines
from harness.needs.commands import command_needs
from harness.needs.need import Need
from harness.needs.titles import pattern_needs
from harness.patterns import check_pattern
from harness.plan.schema import Plan, ProfileSpec
from harness.programs import NoProgram, find_program, plan_folders
from harness.rig import Launch
from harness_plugins.external_control.options import CommandControlOptions
from harness_plugins.external_control.run import Outcome, resolved, run_command, working_folder

_LEAST_READINGS = 10
#: Starting a command, and ending it at its limit with all that it started, takes no longer than this.
_ENDING_S = 15.0


@dataclass(frozen=True)
class Proof:
    """How a profile is read back, and what shows that it is gone again.

    Attributes:
        profile: Its name.
        words: The command, program resolved.
        limit_s: It may take this long.
        line: Pattern of the line that shows the profile in force; None: its exit code tells.
        restored_line: Pattern of the line that shows the factory state; None: not stated.
    """

    profile: str
    words: tuple[str, ...]
    limit_s: float
    line: str | None
    restored_line: str | None


class CommandControl:
    """Control ``command``. See :class:`harness.rig.Control`.

    ``check`` collects the restore and verify commands of all profiles, their programs as absolute paths; the
    snapshot holds them, so that a watch or the next start after a crash can restore without the plan. A
    restore runs each different restore command once, and then reads back by the verify commands.
    """

    kind = "command"
    changes_hardware = True

    def __init__(self) -> None:
        self._folder = working_folder()
        self._restores: list[tuple[tuple[str, ...], float]] = []
        self._proofs: list[Proof] = []
        self._found: dict[Proof, bool | None] = {}

    @property
    def longest_call_s(self) -> float:
        """Longest that any one call may take, by the time-outs of the commands: that is a restore."""
        limits = [limit_s for _, limit_s in self._restores] + [proof.limit_s for proof in self._proofs]
        return sum(limits) + _ENDING_S * (1 + len(limits))

    def check(self, profile: ProfileSpec) -> list[Problem]:
        options, where = options_of(profile), f"profiles.{profile.name}"
        problems = [Problem(f"{where}.{key}", e.what, e.remedy) for key, e in missing_programs(profile)]
        restore = resolved(options.restore, profile.base), options.timeout_s
        if restore not in self._restores:
            self._restores.append(restore)
        if options.verify is not None:
            proof = Proof(
                profile.name,
                resolved(options.verify, profile.base),
                options.timeout_s,
                options.verify_line,
                options.restored_line,
            )
            if proof not in self._proofs:
                self._proofs.append(proof)
        return problems

    def snapshot(self) -> dict[str, Any]:
        """The way back, and which profiles seem to be in force already: those prove nothing when restored."""
        for proof in self._proofs:
            if proof not in self._found:
                self._found[proof] = _in_force(proof, self._folder)
        return {
            "folder": str(self._folder),
            "restore": [{"words": list(words), "timeout_s": limit_s} for words, limit_s in self._restores],
            "proofs": [
                {
                    **dataclasses.asdict(proof),
                    "words": list(proof.words),
                    "found_in_force": self._found[proof],
                }
                for proof in self._proofs
            ],
        }

    def apply(self, profile: ProfileSpec) -> None:
        options = options_of(profile)
        if (resolved(options.restore, profile.base), options.timeout_s) not in self._restores:
            raise PluginError(
                f"profile {profile.name} was not checked before it was applied; this is our mistake"
            )
        what = f"profile {profile.name}: apply"
        _run(what, resolved(options.apply, profile.base), options.timeout_s, self._folder, changes=True)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        options = options_of(profile)
        if options.verify is None:
            return {"applied_by": options.apply, "proof": "under load"}
        what = f"profile {profile.name}: verify"
        words = resolved(options.verify, profile.base)
        outcome = _run(what, words, options.timeout_s, self._folder, changes=False)
        if options.verify_line is not None and missing_lines(outcome.output, [options.verify_line]):
            raise ControlRefused(
                f"profile {profile.name}: no line of verify matches {options.verify_line!r}; it printed: "
                f"{outcome.tail or 'nothing'}. The setting is not in force, or the pattern is wrong"
            )
        return {"applied_by": options.apply, "proof": "verify", "verify_printed": outcome.tail}

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        found = []
        options = options_of(profile)
        for quantity, bounds in options.under_load.items():
            values = readings.get(quantity, ())
            if len(values) < _LEAST_READINGS:
                if options.verify is None:
                    found.append(f"{quantity} has {len(values)} readings: too few to prove the profile")
                continue
            median = statistics.median(values)
            if bounds.at_least is not None and median < bounds.at_least:
                found.append(
                    f"{quantity} is {median:.6g} in the median under load, below {bounds.at_least:g}"
                )
            if bounds.at_most is not None and median > bounds.at_most:
                found.append(f"{quantity} is {median:.6g} in the median under load, above {bounds.at_most:g}")
        return found

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Run the restore commands, then read back.

        Raises:
            ControlRefused: A command failed, or a profile is still in force.
            RestoreUnproven: All commands ended well, and no verify command can tell the states apart.
        """
        if not snapshot:
            return  # nothing is known to have been changed by commands
        try:
            folder = _folder_of(snapshot)
            commands = [
                (_words_of(command), _limit_of(command["timeout_s"])) for command in snapshot["restore"]
            ]
            proofs = [(_proof_of(entry), entry["found_in_force"]) for entry in snapshot.get("proofs", ())]
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise ControlRefused(
                f"the record does not tell how to restore ({error!r}); put the factory state back by hand"
            ) from error
        failures = []
        for words, limit_s in commands:
            try:
                _run("restore", words, limit_s, folder, changes=True)
            except ControlRefused as error:
                failures.append(str(error))
        if failures:
            raise ControlRefused("; ".join(failures))
        _prove_restored(proofs, folder)


def _prove_restored(proofs: Sequence[tuple[Proof, bool | None]], folder: Path) -> None:
    told = 0
    failures = []
    for proof, found_in_force in proofs:
        if found_in_force is not False and proof.restored_line is None:
            continue  # its verify says the same of the factory state
        if proof.restored_line is not None:
            outcome = _outcome(proof, folder)
            back = None if outcome is None else not missing_lines(outcome.output, [proof.restored_line])
        else:
            still = _in_force(proof, folder)
            back = None if still is None else not still
        if back is False:
            failures.append(f"verify of profile {proof.profile} does not show the state that was found")
        told += back is True
    if failures:
        raise ControlRefused(f"the restore commands ended well, but {'; '.join(failures)}")
    if not told:
        raise RestoreUnproven(
            "the restore commands ended well, but nothing reads back that they worked; give the profiles a "
            "verify that tells their state from the factory's, or restored_line"
        )


def _in_force(proof: Proof, folder: Path) -> bool | None:
    """Whether verify says that the profile is in force; None where it can't be asked."""
    outcome = _outcome(proof, folder)
    if outcome is None:
        return None
    return outcome.exit_code == 0 and (proof.line is None or not missing_lines(outcome.output, [proof.line]))


def _outcome(proof: Proof, folder: Path) -> Outcome | None:
    try:
        outcome = run_command(proof.words, proof.limit_s, folder, changes=False)
    except (OSError, WorkloadFailed):
        return None
    return None if outcome.exit_code is None else outcome


def _run(what: str, words: Sequence[str], limit_s: float, folder: Path, *, changes: bool) -> Outcome:
    try:
        outcome = run_command(words, limit_s, folder, changes=changes)
    except (OSError, WorkloadFailed) as error:
        raise ControlRefused(f"{what}: {words[0]} can't be started ({error}); check the command") from error
    if outcome.exit_code is None:
        raise ControlRefused(f"{what}: {words[0]} was still running after {limit_s:g} s and was ended")
    if outcome.exit_code != 0:
        raise ControlRefused(
            f"{what}: {words[0]} ended with exit code {outcome.exit_code}: "
            f"{outcome.tail or 'no output'}; try the command by hand, with the same rights"
        )
    return outcome


def _folder_of(snapshot: Mapping[str, Any]) -> Path:
    """Where the commands were given; where that is gone, somewhere that is there."""
    folder = Path(snapshot.get("folder") or working_folder())
    return folder if folder.is_dir() else Path(folder.anchor or "/")


def _words_of(entry: Mapping[str, Any]) -> tuple[str, ...]:
    words = entry["words"]
    if not isinstance(words, list) or not words or not all(isinstance(word, str) for word in words):
        raise ValueError("words is no list of words")
    return tuple(words)


def _limit_of(value: Any) -> float:
    return min(max(float(value), 1.0), LONGEST_COMMAND_S)


def _proof_of(entry: Mapping[str, Any]) -> Proof:
    line, restored_line = entry["line"], entry["restored_line"]
    for pattern in (line, restored_line):
        if pattern is not None:
            check_pattern(pattern)
    return Proof(str(entry["profile"]), _words_of(entry), _limit_of(entry["limit_s"]), line, restored_line)


def options_of(profile: ProfileSpec) -> CommandControlOptions:
    """The profile's keys, as this control understands them."""
    return CommandControlOptions.model_validate(profile.options)


def missing_programs(profile: ProfileSpec) -> list[tuple[str, NoProgram]]:
    """Keys of the profile whose program is not there or can't be started, and why."""
    options = options_of(profile)
    found = []
    for key in ("apply", "restore", "verify"):
        words = getattr(options, key)
        if words is None:
            continue
        try:
            find_program(words[0], plan_folders(profile.base))
        except NoProgram as error:
            found.append((key, error))
    return found


def control_needs(plan: Plan) -> list[Need]:
    """What profiles by command need: programs, scripts, lines that can match."""
    found: list[Need] = []
    for index, profile in enumerate(plan.profiles):
        if profile.control != "command":
            continue
        options, here = options_of(profile), plan_folders(None)[0]
        for key in ("apply", "restore", "verify"):
            words = getattr(options, key)
            if words is not None:
                place = ("profiles", index, key)
                found += command_needs(words, here, profile.base, place, placeholders=False)
        lines = {"verify_line": options.verify_line, "restored_line": options.restored_line}
        given = {key: text for key, text in lines.items() if text is not None}
        found += pattern_needs(("profiles", index), given)
    return found
