"""A journal that is gone, empty, damaged, altered or foreign: never begun again, always a way that works."""

from __future__ import annotations

import os
import shutil
import sqlite3
from datetime import UTC, datetime

import pytest

from harness.errors import JournalDamaged, NotACampaign
from harness.plan.cells import expand
from harness.plan.night_tables import Retries
from harness.plan.order import arrange
from harness.store.campaign import CampaignStore
from harness.store.journal import JOURNAL_NAME, Journal
from harness.store.opening import PlanInForce
from harness.store.rebuild import rebuild
from harness.store.verify import verify

NOW_UTC = datetime(2030, 1, 2, tzinfo=UTC)


def sql(*statements: str):
    def change(folder):
        with sqlite3.connect(folder / JOURNAL_NAME) as connection:
            for statement in statements:
                connection.execute(statement)
        connection.close()

    return change


def foreign_database(folder):
    (folder / JOURNAL_NAME).unlink()
    sql("CREATE TABLE songs (name TEXT)", "INSERT INTO songs VALUES ('x')")(folder)


def of_another_campaign(folder):
    other = folder.parent / "other"
    shutil.copytree(folder, other)
    text = (other / "manifest.json").read_text()
    (folder / "manifest.json").write_text(text.replace('"campaign_id": "', '"campaign_id": "0'))


#: What happened to the journal -> whether its rows can still be read.
DAMAGES = {
    "deleted": lambda folder: (folder / JOURNAL_NAME).unlink(),
    "emptied file": lambda folder: os.truncate(folder / JOURNAL_NAME, 0),
    "truncated": lambda folder: os.truncate(folder / JOURNAL_NAME, 20_480),
    "cut within its header": lambda folder: os.truncate(folder / JOURNAL_NAME, 50),
    "not a database": lambda folder: (folder / JOURNAL_NAME).write_bytes(b"not a journal" * 1000),
    "a database of another program": foreign_database,
    "meta emptied": sql("DELETE FROM meta"),
    "slots emptied": sql("DELETE FROM slots"),
    "one slot gone": sql("DELETE FROM slots WHERE position = 2"),
    "last slot gone": sql("DELETE FROM slots WHERE position = (SELECT max(position) FROM slots)"),
    "cells emptied": sql("DELETE FROM cells"),
    "plans emptied": sql("DELETE FROM plans"),
    "sessions emptied": sql("DELETE FROM sessions"),
    "attempts emptied": sql("DELETE FROM attempts"),
    "one attempt gone": sql("DELETE FROM attempts WHERE attempt_number = 3"),
    "last attempt gone": sql("DELETE FROM attempts WHERE attempt_number = 5"),
    "artifacts emptied": sql("DELETE FROM artifacts"),
    "transitions emptied": sql("DELETE FROM transitions"),
    "a figure altered": sql(
        "UPDATE attempts SET fields = replace(fields, '\"average_fps\": 5', '\"average_fps\": 6')"
    ),
    "a verdict altered": sql("UPDATE attempts SET verdict = 'failed' WHERE verdict = 'rejected'"),
    "an attempt added": sql(
        "INSERT INTO attempts SELECT 6, 'title-1.default.quiet/3.1', session_id, cell_id, title, setting,"
        " profile, definition_hash, 3, sentinel, second_look, 1, 5, block, started_utc, start_s, boot_id,"
        " rig_id, verdict, reason_code, replace(fields, '\"repeat_index\": 2', '\"repeat_index\": 3')"
        " FROM attempts WHERE attempt_id = 'title-1.default.quiet/2.1'"
    ),
    "a slot added": sql("INSERT INTO slots VALUES (5, 3, 'title-1.default.quiet', 3, 0, 0)"),
}


@pytest.fixture(scope="module")
def finished(small, tmp_path_factory):
    folder = tmp_path_factory.mktemp("finished") / "c"
    small.run(folder)
    return folder


def plan_in_force(small) -> PlanInForce:
    plan = small.plan()
    cells = expand(plan)
    return PlanInForce(small.PLAN_TEXT, "small.toml", cells, arrange(plan, cells), Retries())


@pytest.mark.parametrize("damage", DAMAGES)
def test_run_refuses_verify_agrees_and_the_way_that_both_name_works(small, finished, tmp_path, damage):
    folder = tmp_path / "c"
    shutil.copytree(finished, folder)
    DAMAGES[damage](folder)
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != "lock"}

    with pytest.raises(JournalDamaged, match=r"`levelrig rebuild .*/c`"):
        small.open_store(folder)
    report = verify(folder)
    assert not report.sound
    found = [finding for finding in report.damage if finding.path == JOURNAL_NAME]
    assert found
    assert "levelrig rebuild" in found[0].consequence
    after = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != "lock"}
    assert {p.name for p in set(after) - set(before)} <= {f"{JOURNAL_NAME}-wal", f"{JOURNAL_NAME}-shm"}
    for path, content in before.items():
        assert path.name.startswith(JOURNAL_NAME) or after[path] == content

    recovered = rebuild(folder, plan_in_force(small), NOW_UTC)
    assert sum(recovered.witnesses.values()) == 5
    assert (recovered.evidence, recovered.damaged, recovered.doubled) == ((), (), ())
    assert verify(folder).findings == ()
    small.run(folder)  # goes on, with nothing left to measure
    assert small.final_repeats(folder).equals(small.final_repeats(finished))
    assert verify(folder).findings == ()
    with CampaignStore.read(folder) as store:
        assert store.attempts_table().num_rows == 5
        assert "rebuilt" in {event["kind"] for event in store.events()}
    kept = [p.name for p in folder.glob(f"{JOURNAL_NAME}.before-*")]
    assert kept == ([] if damage == "deleted" else [f"{JOURNAL_NAME}.before-1"])


def test_looking_at_a_folder_without_its_journal_names_the_way_too(finished, tmp_path):
    for damage in ("deleted", "emptied file", "not a database", "meta emptied", "sessions emptied"):
        folder = tmp_path / damage
        shutil.copytree(finished, folder)
        DAMAGES[damage](folder)
        with pytest.raises(JournalDamaged, match="levelrig rebuild"):
            CampaignStore.read(folder)


def test_a_journal_lost_in_mid_campaign_costs_the_running_attempt_only(small, finished, tmp_path):
    """Nothing was exported yet, and no manifest was written: the rows beside the files are the witnesses."""
    folder = tmp_path / "c"
    store = small.open_store(folder)
    for slot in store.remaining_slots()[:2]:
        small.measure(store, slot)
    ref = small.begin(store, store.remaining_slots()[0])
    store.write_table(ref, "frames", small.pa.table({"t_s": [0.1], "frametime_ms": [9.0]}, small.FRAMES))
    store._journal.close()
    store._lock.release()
    for path in folder.glob(f"{JOURNAL_NAME}*"):
        path.unlink()
    with pytest.raises(JournalDamaged):
        small.open_store(folder)
    recovered = rebuild(folder, plan_in_force(small), NOW_UTC)
    assert recovered.witnesses["the rows beside their files"] == 2
    assert recovered.evidence == (ref.attempt_id,)
    assert any("measured again" in line for line in recovered.lines())
    with CampaignStore.read(folder) as store:
        assert store.standing().accepted_count == 2
        assert len(store.remaining_slots()) == 2
    assert verify(folder).damage == ()


def test_damage_to_an_artifact_stays_damage(small, finished, tmp_path):
    folder = tmp_path / "c"
    shutil.copytree(finished, folder)
    frames = folder / "attempts/title-1.default.quiet/1.1/frames.parquet"
    frames.write_bytes(frames.read_bytes()[:-1] + b"?")
    (folder / "attempts/title-1.default.quiet/2.1/telemetry.parquet").unlink()
    (folder / JOURNAL_NAME).unlink()
    recovered = rebuild(folder, plan_in_force(small), NOW_UTC)
    assert len(recovered.damaged) == 2
    damage = {finding.path: finding.state for finding in verify(folder).damage}
    assert damage == {
        "attempts/title-1.default.quiet/1.1/frames.parquet": "damaged",
        "attempts/title-1.default.quiet/2.1/telemetry.parquet": "missing",
    }
    with CampaignStore.read(folder) as store:
        assert store.standing().accepted_count == 4


def test_a_row_that_the_journal_had_not_taken_in_is_not_counted_beside_the_later_one(small, tmp_path):
    """Cut off between the row's file and the journal, the repeat was measured again and accepted then."""
    folder = tmp_path / "c"
    store = small.open_store(folder)
    slot = store.remaining_slots()[0]
    first = small.measure(store, slot)
    row = (first.folder / "attempt.json").read_text()
    store.close()
    shutil.rmtree(folder)
    with small.open_store(folder) as store:
        ref = small.begin(store, slot)
    (ref.folder / "attempt.json").write_text(row)
    small.run(folder)
    for path in folder.glob(f"{JOURNAL_NAME}*"):
        path.unlink()
    (folder / "manifest.json").unlink()
    recovered = rebuild(folder, plan_in_force(small), NOW_UTC)
    assert recovered.doubled == (ref.attempt_id,)
    with CampaignStore.read(folder) as store:
        assert store.repeats_table().num_rows == 4


def test_a_rebuild_that_is_interrupted_can_be_done_again(small, finished, tmp_path):
    folder = tmp_path / "c"
    shutil.copytree(finished, folder)
    (folder / JOURNAL_NAME).rename(folder / f"{JOURNAL_NAME}.before-1")  # cut off before the new one's name
    (folder / f"{JOURNAL_NAME}.partial").write_bytes(b"half")
    with pytest.raises(JournalDamaged):
        small.open_store(folder)
    rebuild(folder, plan_in_force(small), NOW_UTC)
    assert verify(folder).findings == ()


def test_an_untouched_folder_may_be_begun_in_and_another_is_no_campaign(small, tmp_path):
    (tmp_path / "c").mkdir()
    (tmp_path / "c" / JOURNAL_NAME).touch()  # SQLite makes the file before its first page
    small.open_store(tmp_path / "c").close()
    (tmp_path / "other").mkdir()
    for folder in (tmp_path / "other", tmp_path / "nowhere"):
        for look in (verify, CampaignStore.read):
            with pytest.raises(NotACampaign) as caught:
                look(folder)
            assert caught.value.exit_code == 2
    assert list((tmp_path / "other").iterdir()) == []


@pytest.mark.parametrize("rebuilt", [False, True])
def test_a_row_beside_an_attempts_files_that_was_deleted_is_written_again_and_said(small, tmp_path, rebuilt):
    folder = tmp_path / "night"
    small.run(folder)
    first, *others = sorted(folder.glob("attempts/*/*/attempt.json"))
    content = first.read_bytes()
    first.unlink()
    shutil.rmtree(others[0].parent)  # all of an attempt: nothing is made up
    if rebuilt:
        rebuild(folder, plan_in_force(small), NOW_UTC)
    else:
        assert [f.state for f in verify(folder).findings if f.path.endswith("attempt.json")] == [
            "missing"
        ] * 2
    with small.open_store(folder):
        pass
    assert first.read_bytes() == content
    assert not others[0].parent.exists()
    journal = Journal.read(folder)
    (event,) = journal.query("SELECT message FROM events WHERE kind = 'row-rewritten'")
    journal.close()
    assert "attempt.json of 1 attempt was gone" in event["message"]
    assert first.relative_to(folder).as_posix() not in {f.path for f in verify(folder).findings}
