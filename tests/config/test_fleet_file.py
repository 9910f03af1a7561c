"""The file that names several rigs."""

from pathlib import Path

import pytest

from monitor.config.fleet_file import RigPlace, check_names, read_fleet
from monitor.config.rig_file import shipped_rigs
from monitor.config.toml_file import ConfigError


def fleet(folder: Path, text: str) -> Path:
    path = folder / "fleet.toml"
    path.write_text(text)
    return path


def test_rigs_of_one_make_share_a_file_and_have_names_of_their_own(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(shipped_rigs()["light"].read_text())
    path = fleet(
        tmp_path,
        'format = 1\nbroker = "mqtt://b"\n[[rigs]]\nfile = "mine.toml"\n'
        '[[rigs]]\nfile = "light"\nname = "south"\ntitle = "South"\nrules = "its.toml"\n',
    )
    (mine, south), broker = read_fleet(path)
    assert broker == "mqtt://b"
    assert mine.rig().name == "light"
    rig = south.rig()
    assert (rig.name, rig.title, south.rules) == ("south", "South", str(tmp_path / "its.toml"))
    assert rig.topic(rig.sensors[0]) == f"rig/south/hoist/{rig.sensors[0].id}"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 1\n", "rigs: this field is missing"),
        ("format = 1\nrigs = []\n", "at least 1"),
        ('format = 2\n[[rigs]]\nfile = "light"\n', "format"),
        ('format = 1\n[[rigs]]\nfile = "light"\nname = "No Name"\n', "a name of a-z"),
        ('format = 1\n[[rigs]]\nfile = "light"\nrulse = "x"\n', "misspelt"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        read_fleet(fleet(tmp_path, text))


def test_a_rig_with_mistakes_is_found_when_it_is_read(tmp_path: Path) -> None:
    (places, _) = read_fleet(fleet(tmp_path, 'format = 1\n[[rigs]]\nfile = "gone.toml"\n'))
    assert places[0].label == "gone"
    with pytest.raises(ConfigError, match="no such file"):
        places[0].rig()


def test_two_rigs_of_one_name_are_refused() -> None:
    check_names(["north", "south"])
    with pytest.raises(ConfigError, match="two rigs are called 'north'"):
        check_names(["north", "south", "north"])
    assert RigPlace("rigs/north.toml").label == "north"
