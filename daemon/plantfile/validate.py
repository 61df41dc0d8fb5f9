"""One table against its model: every error of pydantic said again in the plant's words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar, cast, get_args

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from daemon.plantfile.lines import Loc
from daemon.plantfile.problems import Report, either, meant_or_use, nearest, shown
from daemon.plantfile.schema import LimitsTable, TableModel, TrainTable

M = TypeVar("M", bound=TableModel)


@dataclass(frozen=True)
class Checked(Generic[M]):
    """A table after the check of its single keys. Keys in `failed` hold nothing usable."""

    table: M
    loc: Loc
    failed: frozenset[str]

    def ok(self, *keys: str) -> bool:
        """None of these keys failed, so checks may go on with them: one mistake, one message."""
        return self.failed.isdisjoint(keys)


def validate(model: type[M], raw: object, loc: Loc, report: Report) -> Checked[M] | None:
    """Check one table. None when it is no table at all, or cannot be looked at any further."""
    if not isinstance(raw, Mapping):
        name = _header(loc)
        if isinstance(loc[-1], int):
            report.problem(
                loc,
                f"element {loc[-1] + 1} of {name} is {_sort(raw)}",
                f"write each one as a table, [[{name}]]",
            )
        else:
            report.problem(loc, f"{name} is {_sort(raw)}", f"write it as a table, [{name}]")
        return None
    try:
        return Checked[M](model.model_validate(raw), loc, frozenset())
    except ValidationError as exc:
        fields = keys_of(model)
        failed: set[str] = set()
        errors = exc.errors(include_url=False)
        unknown = [str(e["loc"][0]) for e in errors if e["type"] == "extra_forbidden"]
        mistyped = {near for name in unknown if (near := nearest(name, fields)) is not None}
        for error in errors:
            name = str(error["loc"][0])
            if error["type"] == "missing" and name in mistyped:
                failed.add(name)
                continue  # "did you mean" at the mistyped key says it already
            if name in failed and error["type"] != "extra_forbidden":
                continue  # the members of a union each complain; the first says it
            failed.add(name)
            found, remedy = _words(name, error, fields, model)
            at = (*loc, *_inside(error["loc"]))
            report.problem(at, found, remedy)
    usable: dict[str, Any] = {
        (info.alias or name): raw[name]
        for name, info in fields.items()
        if name in raw and name not in failed
    }
    for name, info in fields.items():
        if name not in usable and info.is_required():
            usable[name] = None  # only looked at after `ok` has said no
    partial = cast(M, model.model_construct(**usable))  # mypy takes the base class for M
    return Checked(partial, loc, frozenset(failed))


def keys_of(model: type[TableModel]) -> dict[str, FieldInfo]:
    """The keys of a table as the file writes them."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def limits(info: FieldInfo) -> str:
    """The numbers that a key takes, in words; empty when any will do."""
    bounds: dict[str, float] = {}
    for item in info.metadata:
        for name in ("ge", "gt", "le", "lt"):
            if getattr(item, name, None) is not None:
                bounds[name] = getattr(item, name)
    low = f"{bounds['ge']:g}" if "ge" in bounds else None
    above = f"above {bounds['gt']:g}" if "gt" in bounds else None
    high = f"{bounds['le']:g}" if "le" in bounds else None
    below = f"below {bounds['lt']:g}" if "lt" in bounds else None
    if low and high:
        return f"from {low} to {high}"
    if low and below:
        return f"from {low} up to {below}"
    if above and high:
        return f"{above}, at most {high}"
    if low:
        return f"of at least {low}"
    return above or below or (f"of at most {high}" if high else "")


def choices(info: FieldInfo) -> tuple[str, ...]:
    """The words that a key takes, when it takes only certain ones."""
    return _literals(info.annotation)


def _literals(annotation: object) -> tuple[str, ...]:
    found: list[str] = []
    for arg in get_args(annotation):
        if isinstance(arg, str):
            found.append(arg)
        else:
            found.extend(_literals(arg))
    return tuple(found)


def _words(
    name: str, error: ErrorDetails, fields: dict[str, FieldInfo], model: type[TableModel]
) -> tuple[str, str]:
    """What was found and what would do, for one error of pydantic."""
    kind = error["type"]
    if kind == "extra_forbidden":
        near = nearest(name, fields)
        if near is not None:
            return f'unknown key "{name}"', f'did you mean "{near}"?'
        return (
            f'unknown key "{name}"',
            f"remove it; this table takes {either(tuple(fields), 'and')}",
        )
    info = fields[name]
    example = shown(info.examples[0]) if info.examples and info.examples[0] is not None else ""
    if kind == "missing":
        if not example:
            return f"there is no [[train.{name}]]", "add at least one"
        return f'"{name}" is missing', f"add {name} ({info.description}), like {name} = {example}"
    value = error["input"]
    if model is TrainTable and kind == "list_type" and isinstance(value, Mapping):
        return f"[train.{name}] is a single table", f"write [[train.{name}]], one for each"
    if model is TrainTable and kind == "dict_type" and isinstance(value, list):
        return f"[[train.{name}]] stands once only", f"write [train.{name}]"
    if kind == "dict_type":
        return f"{name} is {_sort(value)}", f"write it as a table, [train.{name}]"
    if model is TrainTable and kind == "list_type":
        return f"{name} is {_sort(value)}", f"write it as tables, [[train.{name}]]"
    if kind == "literal_error":
        words = choices(info)
        return f"{name} {shown(value)} is not known", meant_or_use(str(value), words)
    if kind == "string_pattern_mismatch" or kind == "string_too_long":
        return (
            f"{name} {shown(value)} cannot be part of a tag",
            "use up to 40 letters, digits, -, _ and . only",
        )
    if kind in ("string_too_short", "too_short", "too_long"):
        if name == "range":
            return f"{name} = {shown(value)} does not hold two numbers", f"write {name} = {example}"
        return f"{name} is empty", f"write {name} = {example}"
    if model is LimitsTable and kind in (
        "less_than",
        "greater_than",
        "less_than_equal",
        "greater_than_equal",
    ):
        return _limit(name, value, info)
    if kind in (
        "greater_than",
        "greater_than_equal",
        "less_than",
        "less_than_equal",
        "finite_number",
    ):
        return f"{name} = {shown(value)} is not possible", f"give a number {limits(info)}".rstrip()
    if kind.endswith("_type") or kind in ("int_from_float", "date_from_datetime_inexact"):
        wanted = _wanted(info, kind)
        return (
            f"{name} = {shown(value)} is {_sort(value)}",
            f"give {wanted}, like {name} = {example}",
        )
    return f"{name} = {shown(value)}: {error['msg']}", f"write {name} = {example}"


def _limit(name: str, value: object, info: FieldInfo) -> tuple[str, str]:
    """A limit with the wrong sign or in per cent: the two usual slips."""
    found = f"{name} = {shown(value)} is not a limit"
    example = shown(info.default)
    if name == "permeate_flow":
        return found, f"a fall counts, as a fraction below 0, like {name} = {example}"
    if name in ("salt_passage", "pressure_drop"):
        return (
            found,
            f"a rise counts, as a fraction above 0 and not in per cent, like {name} = {example}",
        )
    return found, f"give a number {limits(info)}"


def _wanted(info: FieldInfo, kind: str) -> str:
    if choices(info) and kind != "list_type":
        return "one of the known words in quotes"
    return {
        "string_type": "text in quotes",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
        "float_type": "a number",
        "bool_type": "true or false",
        "list_type": "a list in square brackets",
        "datetime_type": "a time with its zone",
        "dict_type": "a table",
    }.get(kind, "another value")


def _sort(value: object) -> str:
    """What sort of value it is, in words."""
    if isinstance(value, bool):
        return "true/false"
    if isinstance(value, str):
        return "text"
    if isinstance(value, int):
        return "a whole number"
    if isinstance(value, float):
        return "a number"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, Mapping):
        return "a table"
    return "a date or time"


def _inside(loc: tuple[int | str, ...]) -> Loc:
    """The place inside the table: key and list index, without pydantic's names of union members."""
    key = loc[0]
    index = [part for part in loc[1:] if isinstance(part, int)]
    return (key, *index)


def _header(loc: Loc) -> str:
    return ".".join(str(part) for part in loc if isinstance(part, str))
