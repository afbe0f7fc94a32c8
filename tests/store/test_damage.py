"""Torn, truncated, altered and vanished files; a disk that is full for real."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from harness.errors import DiskFull, NotWritable, StorageFault, StoreError
from harness.store import journal as journal_module
from harness.store.artifacts import STREAM_SUFFIX, salvage
from harness.store.campaign import CampaignStore
from harness.store.files import FileSystem, SafeFiles
from harness.store.journal import JOURNAL_NAME
from harness.store.verify import verify

DAMAGES = {
    "truncated": lambda path: os.truncate(path, path.stat().st_size // 2),
    "emptied": lambda path: os.truncate(path, 0),
    "altered": lambda path: _alter(path),
    "gone": lambda path: path.unlink(),
}


def _alter(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)


@pytest.fixture(scope="module")
def finished(small, tmp_path_factory):
    folder = tmp_path_factory.mktemp("finished") / "c"
    small.run(folder)
    return folder


def test_an_undamaged_folder_is_sound_and_says_how_much_was_checked(finished):
    report = verify(finished)
    assert report.findings == ()
    assert (report.attempts, report.accepted, report.trusted) == (5, 4, 4)
    assert report.tables_checked == 10
    assert "all sound" in report.lines()[-1]


@pytest.mark.parametrize("damage", DAMAGES)
def test_every_damaged_file_is_found_and_what_can_still_be_trusted_is_counted(finished, tmp_path, damage):
    kept = [p.relative_to(finished) for p in sorted(finished.rglob("*")) if p.is_file()]
    kept = [p for p in kept if p.name not in ("lock", "ballast", "log.jsonl")]
    assert len(kept) > 20
    for number, path in enumerate(kept):
        copy = tmp_path / str(number)
        shutil.copytree(finished, copy)
        DAMAGES[damage](copy / path)
        report = verify(copy)
        assert path.as_posix() in {f.path for f in report.findings}, path
        if path.parts[0] == "attempts":
            rejected = path.parts[1:3] == ("title-1.default.factory", "1.1")
            assert report.trusted == (4 if rejected else 3), path
            assert not report.sound
        elif path.name not in ("manifest.json", JOURNAL_NAME):
            assert report.trusted == 4, path
            assert not report.sound
        shutil.rmtree(copy)


def test_a_journal_that_can_not_be_read_leaves_the_manifest_as_witness(finished, tmp_path):
    copy = tmp_path / "c"
    shutil.copytree(finished, copy)
    _alter(copy / "attempts/title-1.default.quiet/1.1/frames.parquet")
    (copy / JOURNAL_NAME).write_bytes(b"not a journal" * 1000)
    report = verify(copy)
    assert report.trusted is None
    assert {f.path for f in report.damage} == {
        JOURNAL_NAME,
        "attempts/title-1.default.quiet/1.1/frames.parquet",
    }


def test_a_journal_that_can_not_be_read_is_never_gone_on_with(small, finished, tmp_path):
    copy = tmp_path / "c"
    shutil.copytree(finished, copy)
    (copy / JOURNAL_NAME).write_bytes(b"not a journal" * 1000)
    before = (copy / JOURNAL_NAME).read_bytes()
    with pytest.raises(StorageFault):
        small.open_store(copy)
    assert (copy / JOURNAL_NAME).read_bytes() == before


def test_a_torn_write_ahead_log_gives_a_whole_earlier_state_wherever_it_is_torn(small, tmp_path):
    source = tmp_path / "running"
    store = small.open_store(source)
    for slot in store.remaining_slots()[:2]:
        small.measure(store, slot)
    wal = source / f"{JOURNAL_NAME}-wal"
    size = wal.stat().st_size
    assert size > 50_000
    seen = set()
    for length in (*range(0, size, 1 << 12), size):
        copy = tmp_path / str(length)
        copy.mkdir()
        for name in (JOURNAL_NAME, f"{JOURNAL_NAME}-wal"):
            shutil.copy(source / name, copy / name)
        torn = bytearray((copy / wal.name).read_bytes()[: length + 2048])
        torn[length:] = os.urandom(len(torn) - length)  # a sector of rubbish, as a power cut leaves it
        (copy / wal.name).write_bytes(torn)
        with small.open_store(copy) as again:
            assert again._journal.problems() == []
            seen.add(again.standing().accepted_count)
            names = set(again.attempts_table()["verdict"].to_pylist())
            assert names <= {"accepted", "interrupted"}
    assert seen == {0, 1, 2}
    store.close()


def test_a_stream_cut_off_at_any_byte_gives_its_whole_batches_and_never_a_wrong_row(small, tmp_path):
    stream = tmp_path / f"telemetry{STREAM_SUFFIX}"
    with stream.open("wb") as file, pa.ipc.new_stream(file, small.GROWING) as writer:
        for number in range(3):
            writer.write(pa.table({"t_s": [float(number)], "power_w": [number + 0.5]}, small.GROWING))
    whole = stream.read_bytes()
    counts = set()
    for length in range(len(whole)):
        folder = tmp_path / str(length)
        folder.mkdir()
        (folder / stream.name).write_bytes(whole[:length])
        saved = salvage(SafeFiles(tmp_path), folder)
        rows = pq.read_table(folder / "telemetry.cut.parquet").to_pylist() if saved else []
        assert rows == [{"t_s": float(n), "power_w": n + 0.5} for n in range(len(rows))]
        assert [p.name for p in folder.iterdir()] == (["telemetry.cut.parquet"] if saved else [])
        counts.add(len(rows))
    assert counts == {0, 1, 2, 3}


class NoForecast(FileSystem):
    """Says that there is room, so that the disk is met when it is really full."""

    def free_bytes(self, folder: Path) -> int:
        return 1 << 40


@pytest.fixture
def small_disk(tmp_path):
    """A memory file system whose size can be set; skipped where it can't be mounted."""
    mounted = tmp_path / "disk"
    mounted.mkdir()

    def resize(kib: int, *options: str) -> None:
        done = subprocess.run(
            [
                "mount",
                "-t",
                "tmpfs",
                "-o",
                ",".join((f"size={kib}k", *options)),
                "levelrig-test",
                str(mounted),
            ],
            capture_output=True,
            check=False,
        )
        if done.returncode:
            pytest.skip("needs the right to mount a memory file system")

    if os.name == "nt" or os.geteuid() != 0:
        pytest.skip("needs the right to mount a memory file system")
    resize(1024)
    yield mounted, lambda kib: resize(kib, "remount")
    subprocess.run(["umount", str(mounted)], check=True)


def filled_up(small, folder) -> bool:
    try:
        small.run(folder, file_system=NoForecast())
    except DiskFull:
        return True
    return False


def test_a_disk_that_is_really_full_pauses_the_campaign_wherever_it_fills_up(small, finished, small_disk):
    disk, resize = small_disk
    wanted = small.final_repeats(finished)
    paused_with = set()
    for kib in range(1060, 1900, 20):
        folder = disk / "c"
        resize(kib)
        full = filled_up(small, folder)
        if full and (folder / JOURNAL_NAME).exists():
            assert [f for f in verify(folder).damage if f.path != "manifest.json"] == []
        resize(16 << 10)
        accepted = 0
        if (folder / JOURNAL_NAME).exists():
            with small.open_store(folder) as store:
                accepted = store.standing().accepted_count
        if full:
            paused_with.add(accepted)
        small.run(folder)
        assert small.final_repeats(folder).equals(wanted)
        with CampaignStore.read(folder) as store:
            assert store.repeats_table().num_rows == 4
            lost = [a for a in store.attempts_table().to_pylist() if a["reason_code"] == "rig-lost"]
            assert lost == []
        assert verify(folder).sound
        shutil.rmtree(folder)
    assert len(paused_with) >= 2  # it filled up before and after repeats had been accepted


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_record_of_the_rig_is_written_again_by_the_next_run_and_the_old_one_kept_aside(
    small, finished, tmp_path, damage
):
    folder = tmp_path / "c"
    shutil.copytree(finished, folder)
    before = (folder / "rig.json").read_bytes()
    (folder / "rig.json").write_bytes(b"\xff" + before)
    if damage != "altered":
        DAMAGES[damage](folder / "rig.json")
    with small.open_store(folder) as store:
        store.export_dataset()
    assert (folder / "rig.json").read_bytes() == before
    assert (folder / "rig.json.before-1").exists() == (damage != "gone")
    assert verify(folder).findings == ()


@pytest.mark.parametrize("code", [sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM])
def test_a_journal_that_may_not_be_written_is_a_matter_of_permissions(tmp_path, code):
    error = sqlite3.OperationalError("attempt to write a readonly database")
    error.sqlite_errorcode = code
    with pytest.raises(NotWritable, match=rf"{tmp_path}.*write protection.*same command"):  # noqa: SIM117
        with SafeFiles(tmp_path).guarded("journal (resume)"):
            raise error


def test_a_damaged_journal_is_told_with_the_one_way_that_helps(tmp_path: Path, small) -> None:
    folder = tmp_path / "night"
    small.run(folder)
    journal = folder / "journal.sqlite"
    whole = journal.read_bytes()
    for content in (whole[:5000], whole[: len(whole) // 2], b"no database at all" * 1000):
        journal.write_bytes(content)
        (finding,) = [f for f in verify(folder).findings if f.path == "journal.sqlite"]
        assert finding.state == "damaged"
        assert str(finding).count("levelrig ") == 1, finding
        assert "levelrig rebuild" in finding.consequence


def test_a_journal_that_may_not_be_read_is_not_called_damaged(
    tmp_path: Path, small, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "night"
    small.run(folder)

    def refuse(path: Path, mode: str = "rwc") -> sqlite3.Connection:
        return sqlite3.connect(f"{(tmp_path / 'nowhere' / 'x').as_uri()}?mode=ro", uri=True)

    monkeypatch.setattr(journal_module, "_connect", refuse)
    with pytest.raises(StoreError, match="can't be written") as caught:
        verify(folder)
    assert "rebuild" not in str(caught.value)
