"""The factory state comes back even where the disk has failed."""

from __future__ import annotations

import pytest

from harness.engine.profiles import ProfileKeeper
from harness.errors import StorageFault
from harness.testing import RecordingControl


class FailedDisk:
    """Snapshots that can be read, and whose removal can't be written."""

    def save_snapshot(self, control_kind, snapshot):
        raise AssertionError("nothing is applied here")

    def open_snapshots(self):
        return {"first": {}, "second": {}}

    def clear_snapshot(self, control_kind):
        raise StorageFault("fsync failed")

    def settle(self):
        return []

    def undisturbed(self):
        return True


def test_every_control_is_restored_and_the_disk_fault_is_told_as_what_it_is():
    controls = {kind: RecordingControl(kind) for kind in ("first", "second")}
    keeper = ProfileKeeper(controls.__getitem__, FailedDisk(), allow_hardware_changes=True)
    with pytest.raises(StorageFault, match="fsync failed"):
        keeper.restore()
    assert all("restore" in str(control.calls) for control in controls.values())
