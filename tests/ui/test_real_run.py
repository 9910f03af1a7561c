"""README.md shows pictures of a real run: their words are those of the live screen."""

from pathlib import Path

import pytest

from tests.ui.real_run import FOLDER, PICTURES, Picture, drawn, words, words_of_picture

README = Path(__file__).parents[2] / "README.md"


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
async def test_a_picture_says_what_the_live_screen_says(picture: Picture) -> None:
    kept = (FOLDER / f"{picture.name}.svg").read_text(encoding="utf-8")
    _, live = await drawn(picture)
    said = words_of_picture(kept)
    # Above the screen's own rows stands the title of the window.
    assert said[said[0] == ["Stopmark"] :] == words(live)


def test_readme_shows_each_and_no_other() -> None:
    shown = {
        line.split("(")[-1].rstrip(")\n")
        for line in README.read_text(encoding="utf-8").splitlines()
        if line.startswith("![")
    }
    assert {f"tests/ui/real_run/{picture.name}.svg" for picture in PICTURES} <= shown
    assert not [name for name in shown if "__snapshots__" in name]
