"""Bad plant files: each small file of plants/bad says in its head what must be said about it, whole lines."""

from pathlib import Path

import pytest

from daemon.plantfile import PlantFileError, load

FOLDER = Path(__file__).parent / "plants" / "bad"
FILES = sorted(FOLDER.glob("*.toml"))
MARK = "# expect: "


def test_there_are_enough_of_them() -> None:
    """The folder was found, and holds the bad files."""
    assert len(FILES) >= 100


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_bad_file_is_refused_in_these_words(path: Path) -> None:
    """Every problem is reported, no other, in the order of the file, with place, found and remedy."""
    lines = path.read_text(encoding="utf-8").splitlines()
    expected = [line.removeprefix(MARK) for line in lines if line.startswith(MARK)]
    assert expected
    with pytest.raises(PlantFileError) as caught:
        load(path)
    assert str(caught.value).splitlines() == expected
    assert "secret" not in str(caught.value)


def test_problems_can_be_taken_apart() -> None:
    """Programs get place, line, found and remedy; `str` only joins them."""
    with pytest.raises(PlantFileError) as caught:
        load(FOLDER / "unit_psig.toml")
    (problem,) = caught.value.problems
    assert problem.place == 'train "A", point "feed_pressure" (stage 1)'
    assert problem.line == 19
    assert problem.found == 'unit "psig" is not known'
    assert problem.remedy == "use bar, kPa, psi, MPa or mbar"


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """The whole path is shown, because the folder is often the mistake."""
    path = tmp_path / "plant.toml"
    with pytest.raises(PlantFileError) as caught:
        load(path)
    assert (
        str(caught.value) == f"plant.toml: there is no file {path}; check the name and the folder"
    )


def test_a_folder_in_place_of_a_file(tmp_path: Path) -> None:
    """A folder is refused in words, not with a traceback."""
    with pytest.raises(PlantFileError, match="is a folder; give the plant file in it"):
        load(tmp_path)


def test_a_file_in_an_old_encoding(tmp_path: Path) -> None:
    """The line of the first character that is not UTF-8 is shown."""
    path = tmp_path / "plant.toml"
    path.write_bytes('[site]\nname = "Pozo número 1"\n'.encode("latin-1"))
    with pytest.raises(PlantFileError) as caught:
        load(path)
    assert (
        str(caught.value)
        == "plant.toml:2: a character is not UTF-8; save the file as UTF-8 in the editor"
    )


def test_a_file_that_ends_too_early(tmp_path: Path) -> None:
    """A file cut in the middle of a key shows its last line."""
    path = tmp_path / "plant.toml"
    path.write_text('[site]\nname = "a"\ntimezone', encoding="utf-8")
    with pytest.raises(PlantFileError, match=r"^plant\.toml:3: this is not TOML: expected '='"):
        load(path)
