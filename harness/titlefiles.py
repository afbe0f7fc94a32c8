"""A title's own files, as configuration and saved games: put in place for each attempt, put back afterwards.

What lay there is copied into the state folder first, and the way back stands in the machine's record under
the control kind :data:`KIND`, like that of a profile. So it is put back by the same hands: between profiles,
after the night, at the next start, by ``levelrig restore``, and by the watch after a kill. Every file is read
back by its hash, as put and as put back. A file that a title wrote beside them is left alone.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import stat
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Protocol

from harness.errors import ControlRefused, WorkloadFailed
from harness.lines import missing_in_file
from harness.places import state_folder
from harness.plan.files_table import FileSpec
from harness.plan.schema import Plan, ProfileSpec, TitleSpec
from harness.programs import plan_path
from harness.rig import Launch

#: Control kind of the way back in the machine's record.
KIND: Final = "files"
#: Most files, and bytes of them, that one night puts in place.
MOST_FILES: Final = 2000
MOST_BYTES: Final = 2 << 30
_BLOCK: Final = 1 << 20
_FOLDER_NAME: Final = "files"


class Keeps(Protocol):
    """Where the way back is kept; see :class:`harness.guard.Guard`."""

    def save_snapshot(self, control_kind: str, snapshot: Mapping[str, Any]) -> None: ...

    def open_snapshots(self) -> Mapping[str, Mapping[str, Any]]: ...


def has_files(plan: Plan) -> bool:
    """Whether a title of the plan has files outside of its own home folder."""
    return any(title.files and not title.private_home for title in plan.titles)


def pairs_of(title: TitleSpec, home: Path | None) -> Iterator[tuple[Path, Path, FileSpec]]:
    """Each stored file with its place. Raises WorkloadFailed where the stored copy is not there."""
    for spec in title.files:
        source = plan_path(spec.copy_, title.base)
        target = place_of(spec.at, home)
        if source.is_file():
            yield source, target / source.name if target.is_dir() else target, spec
        elif source.is_dir():
            inner = sorted(path for path in source.rglob("*") if path.is_file() and not path.is_symlink())
            for path in inner[: MOST_FILES + 1]:
                yield path, target / path.relative_to(source), spec
        else:
            raise WorkloadFailed(f"there is no stored copy {source}; fix the plan's files", permanent=True)


def place_of(at: str, home: Path | None) -> Path:
    """Where a title reads it: ``~`` is its own home folder where it has one."""
    if home is not None and (at == "~" or at.startswith(("~/", "~\\"))):
        return home / at[2:]
    path = Path(at).expanduser()
    if not path.is_absolute():
        raise WorkloadFailed(
            f"{at} is no absolute path; write where the title reads the file, ~ for home", permanent=True
        )
    return path


def home_environment(home: Path) -> dict[str, str]:
    """Variables by which a title finds that home folder and its configuration below it."""
    found = {"HOME": str(home), "USERPROFILE": str(home)}
    below = {"XDG_CONFIG_HOME": ".config", "XDG_DATA_HOME": ".local/share", "XDG_CACHE_HOME": ".cache"}
    below |= {"XDG_STATE_HOME": ".local/state", "APPDATA": "AppData/Roaming", "LOCALAPPDATA": "AppData/Local"}
    found |= {name: str(home / folder) for name, folder in below.items()}
    if "XAUTHORITY" not in os.environ and (real := Path.home() / ".Xauthority").is_file():
        found["XAUTHORITY"] = str(real)
    return found


class TitleFiles:
    """Puts a plan's files in place.

    Args:
        plan: The plan.
        keeps: Keeps the way back.
        folder: Where copies of what was there are kept; default: in the state folder.
    """

    def __init__(self, plan: Plan, keeps: Keeps, folder: Path | None = None) -> None:
        self._plan = plan
        self._keeps = keeps
        self._folder = folder or state_folder() / _FOLDER_NAME

    def put(self, title: TitleSpec, home: Path | None) -> None:
        """Put the title's files in place and read them back.

        Raises:
            WorkloadFailed: One can't be put there.
            StoreError: The way back can't be kept; nothing was changed.
        """
        if not title.files:
            return
        if home is None and KIND not in self._keeps.open_snapshots():
            self._keeps.save_snapshot(KIND, self._as_found())
        for source, target, _ in pairs_of(title, home):
            try:
                wanted = _sha256(source)
                _copy(source, target)
                found = _sha256(target)
            except OSError as error:
                raise WorkloadFailed(
                    f"{source.name} can't be put at {target} ({error}); grant access, or fix the plan",
                    permanent=isinstance(error, PermissionError | NotADirectoryError | IsADirectoryError),
                ) from error
            if found != wanted:
                raise WorkloadFailed(f"{target} reads back otherwise than {source}; look what changes it")

    def _as_found(self) -> dict[str, Any]:
        """What lies at every place that the plan's titles change, copied away. Raises WorkloadFailed."""
        entries: dict[str, dict[str, Any]] = {}
        total = 0
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for title in self._plan.titles:
            if title.private_home:
                continue
            for _, target, _ in pairs_of(title, None):
                if str(target) in entries:
                    continue
                try:
                    entry = self._kept(target)
                except OSError as error:
                    raise WorkloadFailed(
                        f"{target} can't be kept for later ({error}), so nothing is put there; grant access",
                        permanent=True,
                    ) from error
                entries[str(target)] = entry
                total += int(entry.get("bytes", 0))
                if len(entries) > MOST_FILES or total > MOST_BYTES:
                    raise WorkloadFailed(
                        f"the plan's files are over {MOST_FILES}, or {MOST_BYTES >> 30} GiB; name fewer",
                        permanent=True,
                    )
        return {"files": entries}

    def _kept(self, target: Path) -> dict[str, Any]:
        """One place: the hash of a copy of what lies there; no hash where nothing does."""
        if target.is_symlink() or (target.exists() and not target.is_file()):
            raise OSError("it is no ordinary file")
        missing = [str(folder) for folder in target.parents if not folder.exists()]
        if not target.exists():
            return {"made_folders": missing}
        digest = _sha256(target)
        kept = self._folder / digest
        if not (kept.is_file() and _sha256(kept) == digest):
            _copy(target, kept)
        found = target.stat()
        return {
            "sha256": digest,
            "kept": str(kept),
            "bytes": found.st_size,
            "mode": stat.S_IMODE(found.st_mode),
            "mtime_ns": found.st_mtime_ns,
        }


class FilesControl:
    """Puts files back, as a control of the guard. See :class:`harness.rig.Control`; it has no profiles."""

    kind = KIND
    changes_hardware = True
    longest_call_s = 120.0

    def check(self, profile: ProfileSpec) -> list[Any]:
        return []

    def snapshot(self) -> dict[str, Any]:
        return {"files": {}}

    def apply(self, profile: ProfileSpec) -> None:
        raise ControlRefused("files are no profile; use [[titles.files]]", permanent=True)

    def read_back(self, profile: ProfileSpec) -> dict[str, Any]:
        return {}

    def adapt_launch(self, profile: ProfileSpec, launch: Launch) -> Launch:
        return launch

    def verify_under_load(
        self, profile: ProfileSpec, readings: Mapping[str, Sequence[float]], process_id: int | None
    ) -> list[str]:
        return []

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Put every file back as it was found. Raises ControlRefused with all that failed."""
        failures = []
        for text, entry in dict(snapshot.get("files", {})).items():
            try:
                _put_back(Path(text), entry)
            except (OSError, ValueError, KeyError, TypeError) as error:
                failures.append(f"{text} is not as it was found ({error})")
        if failures:
            raise ControlRefused(
                f"{'; '.join(failures[:5])}; copies of what was there lie in {state_folder()}"
            )


def _put_back(target: Path, entry: Mapping[str, Any]) -> None:
    digest = entry.get("sha256")
    if digest is None:
        if target.is_file() and not target.is_symlink():
            target.unlink()
        for folder in entry.get("made_folders", ()):
            with contextlib.suppress(OSError):
                Path(folder).rmdir()
        if target.exists():
            raise OSError("it was not there before and can't be removed")
        return
    if not (target.is_file() and _sha256(target) == digest):
        kept = Path(str(entry["kept"]))
        if _sha256(kept) != digest:
            raise OSError(f"the copy {kept} is damaged")
        _copy(kept, target)
    target.chmod(int(entry["mode"]))
    os.utime(target, ns=(int(entry["mtime_ns"]), int(entry["mtime_ns"])))
    if _sha256(target) != digest:
        raise OSError("it reads back otherwise")


def unmet_lines(title: TitleSpec, home: Path | None) -> tuple[str, ...]:
    """Patterns that no line of the title's files matches, each with its file."""
    return tuple(
        f"{pattern} (in {target.name})"
        for _, target, spec in pairs_of(title, home)
        for pattern in missing_in_file(target, spec.expect_lines)
    )


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _copy(source: Path, target: Path) -> None:
    """A copy, whole on the disk or not there at all, with the source's times and rights."""
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f".{target.name}.levelrig-part")
    try:
        with source.open("rb") as read, part.open("wb") as write:
            shutil.copyfileobj(read, write, _BLOCK)
            write.flush()
            os.fsync(write.fileno())
        shutil.copystat(source, part)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
