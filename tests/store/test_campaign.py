from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from harness.engine.campaign import RunOptions
from harness.errors import CampaignBusy, FolderTaken, PlanChanged, RigChanged, StoreError
from harness.rig import RigFacts
from harness.store.campaign import CampaignStore
from harness.store.files import FileSystem, SafeFiles, UnsyncedFileSystem
from harness.store.journal import Journal
from harness.tables import ATTEMPTS, REPEATS


def test_a_campaign_ends_with_every_wanted_repeat_accepted_once_and_every_attempt_listed(small, tmp_path):
    small.run(tmp_path / "c")
    repeats = pq.read_table(tmp_path / "c/dataset/repeats.parquet")
    attempts = pq.read_table(tmp_path / "c/dataset/attempts.parquet")
    assert repeats.schema.equals(REPEATS)
    assert attempts.schema.equals(ATTEMPTS)
    assert sorted(zip(repeats["cell_id"].to_pylist(), repeats["repeat_index"].to_pylist(), strict=True)) == [
        ("title-1.default.factory", 1),
        ("title-1.default.factory", 2),
        ("title-1.default.quiet", 1),
        ("title-1.default.quiet", 2),
    ]
    assert attempts["verdict"].to_pylist() == ["rejected"] + ["accepted"] * 4


def test_the_csv_files_hold_the_same_rows_as_the_parquet_files(small, tmp_path):
    small.run(tmp_path / "c")
    csv = pyarrow.csv.read_csv(tmp_path / "c/dataset/attempts.csv")
    table = pq.read_table(tmp_path / "c/dataset/attempts.parquet")
    assert csv.column_names == table.column_names
    assert csv["average_fps"].to_pylist() == table["average_fps"].to_pylist()
    assert csv["marks"].to_pylist() == ["a-mark"] * 5
    assert csv["score"].null_count == 5


def test_a_resumed_campaign_measures_only_what_is_missing(small, tmp_path):
    with small.open_store(tmp_path / "c") as store:
        first = store.remaining_slots()[0]
        small.measure(store, first)
    with small.open_store(tmp_path / "c") as store:
        assert first not in store.remaining_slots()
        assert len(store.remaining_slots()) == 3
        assert store.standing().accepted_count == 1
        assert store.standing().wanted_count == 4


@pytest.mark.holds_files
def test_an_attempt_without_an_end_is_closed_as_interrupted_and_its_telemetry_is_kept(small, tmp_path):
    store = small.open_store(tmp_path / "c")
    slot = store.remaining_slots()[0]
    ref = small.begin(store, slot)
    store.mark_phase(ref, "soak", 12.0)
    growing = store.table_writer(ref, "telemetry", small.GROWING)
    growing.write(pa.table({"t_s": [1.0, 2.0], "power_w": [3.0, 4.0]}, small.GROWING))
    growing._file.close()
    store._lock.release()  # what the end of the process does

    with small.open_store(tmp_path / "c") as again:
        assert again.closed_attempts == (ref.attempt_id,)
        row = again.attempts_table().to_pylist()[0]
        assert (row["verdict"], row["reason_code"]) == ("interrupted", "program-lost")
        assert "soak" in row["reason"]
        assert slot in again.remaining_slots()
        saved = pq.read_table(ref.folder / "telemetry.cut.parquet")
        assert saved["power_w"].to_pylist() == [3.0, 4.0]
        assert small.begin(again, slot).attempt_index == 2


@pytest.mark.holds_files
def test_an_attempt_cut_off_by_a_reboot_counts_as_a_loss_of_the_rig(small, tmp_path):
    store = small.open_store(tmp_path / "c")
    small.begin(store, store.remaining_slots()[0])
    store._lock.release()
    with small.open_store(tmp_path / "c", boot_id="boot-2") as again:
        assert again.attempts_table()["reason_code"].to_pylist() == ["rig-lost"]
        assert again.standing().machine_crashes == {"factory": 1}
        assert "rebooted" in [event["kind"] for event in again.events()]


def test_an_attempt_cut_off_by_a_restart_in_order_speaks_against_no_profile(small, tmp_path):
    """Restarted twice for updates: two crashes would set the profile aside."""
    store, asked = small.open_store(tmp_path / "d"), []
    slot = store.remaining_slots()[0]

    def ended(boot_id, last_sign_utc):
        asked.append((boot_id, last_sign_utc))
        return "restarted in order by an update"

    for boot in ("boot-2", "boot-3"):
        small.begin(store, slot)
        store._lock.release()  # what the end of the machine does
        store = small.open_store(tmp_path / "d", boot_id=boot, boot_ended=ended)
    rows = store.attempts_table().to_pylist()
    assert [row["reason_code"] for row in rows] == ["rig-restarted"] * 2
    assert rows[0]["reason"].startswith("the machine was restarted in order by an update")
    assert store.standing().machine_crashes == {}
    assert store.standing().set_aside == ()
    assert slot in store.remaining_slots()
    assert len(asked) == 2
    store.close()


def test_what_need_not_last_waits_for_no_disk_and_what_must_last_does(tmp_path, monkeypatch):
    """``PRAGMA synchronous``: 0 OFF, 1 NORMAL, 2 FULL (SQLite's documentation)."""
    synced = []
    monkeypatch.setattr(os, "fsync", synced.append)
    assert RunOptions().lasting
    for system, must_last, need_not in ((UnsyncedFileSystem(), 0, 0), (FileSystem(), 2, 1)):
        files = SafeFiles(tmp_path / type(system).__name__, system)
        files.make_folders(files.folder)
        with contextlib.closing(Journal.open(files)) as journal:
            for durable, expected in ((False, need_not), (True, must_last)):
                with journal.transaction("any", durable=durable) as connection:
                    assert connection.execute("PRAGMA synchronous").fetchone()[0] == expected
        files.write_whole(files.folder / "a", b"content")
        assert (files.folder / "a").read_bytes() == b"content"
        assert bool(synced) is (must_last == 2)


def test_a_second_process_is_refused_with_the_first_ones_process_id(small, tmp_path):
    said = f"process {os.getpid()} works on this folder since 2"
    with small.open_store(tmp_path / "c"), pytest.raises(CampaignBusy, match=said):
        small.open_store(tmp_path / "c")


def test_a_lock_left_by_a_killed_process_is_recognised_and_taken_over(small, tmp_path):
    script = (
        "import sys, os, signal; sys.path.insert(0, sys.argv[1]); import small_campaign as s\n"
        "store = s.open_store(s.Path(sys.argv[2])); print(os.getpid(), flush=True)\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    here = str(Path(__file__).parent)
    ended = subprocess.run(
        [sys.executable, "-c", script, here, str(tmp_path / "c")], capture_output=True, text=True, check=False
    )
    with small.open_store(tmp_path / "c") as store:
        assert store.stale_pid == int(ended.stdout)


def test_a_plan_change_that_would_discard_accepted_repeats_is_refused_and_told(small, tmp_path):
    small.run(tmp_path / "c")
    other = small.plan(profiles=[{"name": "factory"}, {"name": "quiet", "power_limit_w": 200}])
    with pytest.raises(
        PlanChanged, match=r"title-1.default.quiet \(2 accepted repeats would no longer count"
    ):
        small.open_store(tmp_path / "c", other)
    with small.open_store(tmp_path / "c", other, accept_plan_change=True) as store:
        assert store.plan_change.kept == ("title-1.default.factory",)
        assert {slot.cell_id for slot in store.remaining_slots()} == {"title-1.default.quiet"}
        assert store.repeats_table()["profile"].to_pylist() == ["factory", "factory"]
        assert store.attempts_table().num_rows == 5


def test_a_plan_change_that_discards_nothing_needs_no_flag(small, tmp_path):
    small.run(tmp_path / "c")
    with small.open_store(tmp_path / "c", small.plan(repeats=3)) as store:
        assert [slot.repeat_index for slot in store.remaining_slots()] == [3, 3]


def test_an_extension_is_written_down_once_and_a_second_one_is_refused(small, tmp_path):
    head = "[plan]\nrepeats = 2\nmay_extend_once = true\n"
    small.run(tmp_path / "c", plan_text=head)
    longer = small.plan(plan={"question": "?", "repeats": 2, "reference": "factory", "may_extend_once": True,
                              "extended_to": 4})  # fmt: skip
    later = small.START_UTC + timedelta(days=1)
    with small.open_store(
        tmp_path / "c", longer, plan_text=head + "extended_to = 4\n", now_utc=later
    ) as store:
        assert [slot.repeat_index for slot in store.remaining_slots()] == [3, 3, 4, 4]
        assert [e["data"] for e in store.events() if e["kind"] == "extended"] == [{"from": 2, "to": 4}]
        assert store.plan_text_at_first_repeat() == head
    with small.open_store(tmp_path / "c", longer, plan_text=head + "extended_to = 4\n") as store:
        assert len([e for e in store.events() if e["kind"] == "extended"]) == 1
    with pytest.raises(PlanChanged, match="extended to 4 repeats already"):
        small.open_store(tmp_path / "c", longer, plan_text=head + "extended_to = 6\n")


def test_an_extension_that_the_plan_kept_no_room_for_is_refused(small, tmp_path):
    small.run(tmp_path / "c", plan_text="[plan]\nrepeats = 2\n")
    late = "[plan]\nrepeats = 2\nmay_extend_once = true\nextended_to = 4\n"
    with pytest.raises(PlanChanged, match="kept no room"):
        small.open_store(tmp_path / "c", plan_text=late)


def test_going_on_on_another_rig_must_be_asked_for(small, tmp_path):
    small.run(tmp_path / "c")
    with pytest.raises(RigChanged, match="rig-1"):
        small.open_store(tmp_path / "c", rig_id="rig-2")
    small.open_store(tmp_path / "c", rig_id="rig-2", accept_other_rig=True).close()
    with CampaignStore.read(tmp_path / "c") as store:
        assert store.repeats_table().num_rows == 4


def test_a_figure_that_is_not_finite_becomes_null_and_is_marked(small, tmp_path):
    with small.open_store(tmp_path / "c") as store:
        small.measure(store, store.remaining_slots()[0], average_fps=float("inf"))
        row = store.attempts_table().to_pylist()[0]
    assert row["average_fps"] is None
    assert "not-finite:average_fps" in row["marks"]


def test_an_unknown_column_or_a_wrong_type_is_refused_by_name(small, tmp_path):
    with small.open_store(tmp_path / "c") as store:
        slot = store.remaining_slots()[0]
        ref = small.begin(store, slot)
        with pytest.raises(ValueError, match="fps_average"):
            store.commit_attempt(ref, small.row(slot, fps_average=1.0))
        with pytest.raises(ValueError, match="average_fps"):
            store.commit_attempt(ref, small.row(slot, average_fps="fast"))


def test_no_repeat_can_be_accepted_twice(small, tmp_path):
    with small.open_store(tmp_path / "c") as store:
        slot = store.remaining_slots()[0]
        small.measure(store, slot)
        with pytest.raises(StoreError):
            small.measure(store, slot)
        assert store.repeats_table().num_rows == 1


def test_a_folder_that_is_only_looked_at_can_not_be_changed(small, tmp_path):
    small.run(tmp_path / "c")
    with CampaignStore.read(tmp_path / "c") as store:
        assert store.standing().complete
        with pytest.raises(StoreError, match="not open for writing"):
            store.note("a", "b")


def test_a_campaign_can_be_looked_at_while_it_runs(small, tmp_path):
    with small.open_store(tmp_path / "c") as running:
        small.measure(running, running.remaining_slots()[0])
        with CampaignStore.read(tmp_path / "c") as looking:
            assert looking.standing().accepted_count == 1


def test_a_folder_without_a_campaign_says_so(tmp_path):
    with pytest.raises(StoreError, match="no campaign there"):
        CampaignStore.read(tmp_path)


def test_the_manifest_lists_every_kept_file_with_its_hash(small, tmp_path):
    small.run(tmp_path / "c")
    files = json.loads((tmp_path / "c/manifest.json").read_text())["files"]
    assert {"journal.sqlite", "plan.toml", "rig.json", "dataset/repeats.parquet"} <= set(files)
    assert sum(name.endswith("frames.csv.gz") for name in files) == 5


def test_a_folder_whose_rig_was_named_by_a_network_address_goes_on_with_a_note(small, tmp_path):
    facts = {"processor": {"model": "Invented 8", "cores": 4}, "memory": {"total_mib": 32_000}}
    was = RigFacts("ef39a1b2c3d4", "boot-1", facts)
    small.open_store(tmp_path / "c", facts=was).close()
    now = RigFacts("0123456789ab-none", "boot-2", facts)
    with small.open_store(tmp_path / "c", facts=now) as store:
        assert "recognised by its processor and memory" in store.rig_note
        assert "rig-renamed" in {event["kind"] for event in store.events()}
    with small.open_store(tmp_path / "c", facts=now) as store:
        assert store.rig_note == ""
    elsewhere = RigFacts("0123456789ac-none", "boot-3", facts)
    with pytest.raises(RigChanged, match="the machine differs"):
        small.open_store(tmp_path / "c", facts=elsewhere)


@pytest.mark.parametrize(
    "name", ["plan.toml", "rig.json", "report/index.html", "dataset/own.csv", "CITATION.cff"]
)
def test_a_campaign_never_begins_over_files_of_somebody_else(small, tmp_path, name):
    folder = tmp_path / "c"
    own = folder / name
    own.parent.mkdir(parents=True)
    own.write_text("my own")
    with pytest.raises(FolderTaken, match=rf"holds {name.split('/')[0]}, .* --into"):
        small.open_store(folder)
    assert [p for p in folder.rglob("*") if p.is_file()] == [own]
    assert own.read_text() == "my own"


def test_a_campaign_begins_beside_other_files_and_in_the_folder_of_its_own_plan(small, tmp_path):
    folder = tmp_path / "c"
    folder.mkdir()
    (folder / "plan.toml").write_text(small.PLAN_TEXT)
    (folder / "notes.txt").write_text("my own")
    (folder / "run.log").write_text("begins")
    small.open_store(folder).close()
    small.open_store(folder).close()
    assert (folder / "notes.txt").read_text() == "my own"
