"""One daemon a rig, and a lock that stays in its folder whatever the mount is called."""

from pathlib import Path

import pytest

from night.nights import demo
from nightloom import rig_lock as locking
from nightloom.errors import BadInput
from nightloom.rig_lock import rig_lock


@pytest.mark.parametrize("name", ["../../outside", "/etc/passwd", "..", "a\0b", "é" * 60])
def test_a_rig_is_locked_once_whatever_its_mount_is_called(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "locks"
    folder.mkdir()
    monkeypatch.setattr(locking, "FOLDERS", (folder,))
    observatory = demo()[0].observatory
    mount = observatory.mount.model_copy(update={"device": name})
    observatory = observatory.model_copy(update={"mount": mount})
    with rig_lock(observatory):
        assert len(list(folder.iterdir())) == 1
        with pytest.raises(BadInput, match="a rig obeys one"), rig_lock(observatory):
            pass
    with rig_lock(observatory):
        pass
    assert list(tmp_path.iterdir()) == [folder]
