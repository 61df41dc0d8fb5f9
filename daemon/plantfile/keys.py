"""Every table and key of a plant file with its meaning, from the models themselves: for README and tests."""

from dataclasses import dataclass

from pydantic.fields import FieldInfo

from daemon.plantfile.problems import shown
from daemon.plantfile.schema import OF_TRAIN_REPEATED, OF_TRAIN_SINGLE, REPEATED, SINGLE, TableModel
from daemon.plantfile.validate import choices, keys_of, limits


@dataclass(frozen=True, slots=True)
class Key:
    """One key. table : as the file writes it, ``[[train.point]]``. default : "" when there is none.

    takes : the words or numbers it takes, "" when any will do.
    """

    table: str
    name: str
    meaning: str
    example: str
    default: str
    required: bool
    takes: str


def known_keys() -> tuple[Key, ...]:
    """Every key that a plant file may have, table by table."""
    tables: list[tuple[str, type[TableModel]]] = []
    for name in ("site", "water"):
        tables.append((f"[{name}]", SINGLE[name]))
    for name, model in REPEATED.items():
        tables.append((f"[[{name}]]", model))
        if name == "train":
            tables += [(f"[[train.{part}]]", m) for part, m in OF_TRAIN_REPEATED.items()]
            tables += [(f"[train.{part}]", m) for part, m in OF_TRAIN_SINGLE.items()]
    tables += [
        (f"[{name}]", model) for name, model in SINGLE.items() if name not in ("site", "water")
    ]
    return tuple(
        _key(table, name, info)
        for table, model in tables
        for name, info in keys_of(model).items()
        if not (model is REPEATED["train"] and name in (*OF_TRAIN_REPEATED, *OF_TRAIN_SINGLE))
    )


def meanings() -> dict[str, str]:
    """Every table and what it is, in the order of `known_keys`."""
    found: dict[str, str] = {}
    models = {
        **{f"[{n}]": m for n, m in SINGLE.items()},
        **{f"[[{n}]]": m for n, m in REPEATED.items()},
        **{f"[[train.{n}]]": m for n, m in OF_TRAIN_REPEATED.items()},
        **{f"[train.{n}]": m for n, m in OF_TRAIN_SINGLE.items()},
    }
    for key in known_keys():
        found.setdefault(key.table, (models[key.table].__doc__ or "").split("\n")[0])
    return found


def _key(table: str, name: str, info: FieldInfo) -> Key:
    default = "" if info.is_required() or info.default is None else shown(info.default)
    return Key(
        table=table,
        name=name,
        meaning=info.description or "",
        example=shown(info.examples[0]) if info.examples else "",
        default=default,
        required=info.is_required(),
        takes=", ".join(choices(info)) or limits(info),
    )
