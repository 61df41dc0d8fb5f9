"""The list of known keys, made from the models: what README's table is checked against."""

import tomllib
from pathlib import Path

import pytest

from daemon.plantfile import Key, PlantFileError, known_keys, load
from daemon.plantfile.keys import meanings

EXAMPLE = Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml"
KEYS = known_keys()


def test_every_key_has_a_meaning_and_an_example() -> None:
    """One line each, so that a table of them reads well."""
    for key in KEYS:
        assert key.meaning, key
        assert "\n" not in key.meaning
        assert key.example, key


def test_every_table_has_a_meaning() -> None:
    """The tables of the contract, no more and no fewer."""
    assert set(meanings()) == {
        "[site]",
        "[water]",
        "[[device]]",
        "[[train]]",
        "[[train.stage]]",
        "[[train.vessel]]",
        "[[train.isolation]]",
        "[[train.point]]",
        "[train.design]",
        "[train.element_test]",
        "[train.normalization]",
        "[train.limits]",
        "[train.baseline]",
        "[train.prices]",
        "[train.cleaning]",
        "[[contact]]",
        "[store]",
        "[page]",
        "[forward]",
    }
    assert all(meanings().values())


def test_the_example_uses_known_keys_only() -> None:
    """Every key of the example is listed under its table."""
    known = {(key.table, key.name) for key in KEYS}
    tree = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    for name in ("site", "water", "store", "page"):
        assert {(f"[{name}]", key) for key in tree[name]} <= known
    for name in ("device", "contact"):
        assert {(f"[[{name}]]", key) for table in tree[name] for key in table} <= known
    (train,) = tree["train"]
    for name, value in train.items():
        if isinstance(value, list):
            assert {(f"[[train.{name}]]", key) for table in value for key in table} <= known
        elif isinstance(value, dict):
            assert {(f"[train.{name}]", key) for key in value} <= known
        else:
            assert ("[[train]]", name) in known


@pytest.mark.parametrize("key", KEYS, ids=lambda key: f"{key.table}{key.name}")
def test_every_listed_example_is_accepted_by_its_key(tmp_path: Path, key: Key) -> None:
    """Written alone into its table, the example of a key is never the key that is complained of."""
    table = key.table if "train." not in key.table else f'[[train]]\nid = "A"\n{key.table}'
    path = tmp_path / "plant.toml"
    path.write_text(f"{table}\n{key.name} = {key.example}\n", encoding="utf-8")
    with pytest.raises(PlantFileError) as caught:  # the rest of the plant is missing
        load(path, secrets=False)
    for problem in caught.value.problems:
        assert not problem.found.startswith(f"{key.name} ="), problem
        assert "unknown" not in problem.found, problem
        assert "is not known" not in problem.found, problem
