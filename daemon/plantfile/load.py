"""From the file to the plant: read, check everything, convert."""

from collections.abc import Mapping
from pathlib import Path
from typing import TypeVar

from daemon.plantfile import completeness, devices, people, toml, trains
from daemon.plantfile.lines import Lines
from daemon.plantfile.problems import PlantFileError, Report, either, nearest, shown
from daemon.plantfile.result import Forward, Page, Plant, Site, Store
from daemon.plantfile.schema import (
    REPEATED,
    SINGLE,
    ContactTable,
    DeviceTable,
    ForwardTable,
    PageTable,
    SiteTable,
    StoreTable,
    TableModel,
    WaterTable,
)
from daemon.plantfile.validate import Checked, validate
from rules.train import Water

M = TypeVar("M", bound=TableModel)


def load(path: str | Path, *, secrets: bool = True) -> Plant:
    """The plant that a plant file describes. Raises PlantFileError with every problem of the file.

    secrets : False leaves addresses of contacts and tokens unread, for work that sends nothing.
    """
    path = Path(path)
    text = toml.read(path)
    tree = toml.parse(text, path)
    report = Report(tree, Lines(text))
    folder = path.absolute().parent
    draft = _Draft(tree, report, people.this_process(folder, wanted=secrets))
    draft.check()
    if report.problems:
        raise PlantFileError(path, report.problems)
    plant = draft.convert(path, folder)
    if report.problems:
        raise PlantFileError(path, report.problems)
    return plant


class _Draft:
    """A plant file on its way: every table checked key by key, then together, then converted."""

    def __init__(self, tree: Mapping[str, object], report: Report, secrets: people.Secrets) -> None:
        self.tree = tree
        self.report = report
        self.secrets = secrets
        self._names()
        self.site = self._single("site", SiteTable)
        self.water = self._single("water", WaterTable)
        self.store = self._single("store", StoreTable)
        self.page = self._single("page", PageTable)
        self.forward = self._single("forward", ForwardTable)
        self.devices = self._repeated("device", DeviceTable)
        self.contacts = self._repeated("contact", ContactTable)
        self.trains = [
            train
            for index, raw in enumerate(self._array("train"))
            if (train := trains.read(raw, ("train", index), report)) is not None
        ]

    def _names(self) -> None:
        """Names of the tables, and whether they stand once or several times."""
        known = (*SINGLE, *REPEATED)
        for name, value in self.tree.items():
            if name in REPEATED and not isinstance(value, list):
                self.report.problem(
                    (name,), f"[{name}] is a single table", f"write [[{name}]], one for each"
                )
            elif name in SINGLE and isinstance(value, list):
                self.report.problem((name,), f"[[{name}]] stands once only", f"write [{name}]")
            elif name not in known:
                self._unknown(name, value)
        if "site" not in self.tree:
            self.report.problem(
                (), "there is no [site]", 'add [site] with name = "..." at the top of the file'
            )
        for name in ("device", "train"):
            if name not in self.tree or self.tree[name] == []:
                self.report.problem((), f"there is no [[{name}]]", "add at least one")

    def _unknown(self, name: str, value: object) -> None:
        known = (*SINGLE, *REPEATED)
        is_table = isinstance(value, Mapping | list)
        near = nearest(name, known)
        written = {**{n: f"[{n}]" for n in SINGLE}, **{n: f"[[{n}]]" for n in REPEATED}}
        if is_table and near:
            remedy = f"did you mean {written[near]}?"
        elif is_table:
            remedy = f"use {either([written[n] for n in known], 'and')}"
        else:
            remedy = "put it below the table it belongs to, like [site]"
        self.report.problem((name,), f'unknown {"table" if is_table else "key"} "{name}"', remedy)

    def _array(self, name: str) -> list[object]:
        value = self.tree.get(name)
        return value if isinstance(value, list) else []

    def _single(self, name: str, model: type[M]) -> Checked[M] | None:
        value = self.tree.get(name)
        if value is None or isinstance(value, list):
            return None
        return validate(model, value, (name,), self.report)

    def _repeated(self, name: str, model: type[M]) -> list[Checked[M]]:
        found = [
            validate(model, raw, (name, index), self.report)
            for index, raw in enumerate(self._array(name))
        ]
        return [table for table in found if table is not None]

    def check(self) -> None:
        """Everything that keys and tables mean together."""
        report = self.report
        if self.site is not None:
            people.check_site(self.site, report)
        for device in self.devices:
            devices.check(device, report)
        for contact in self.contacts:
            people.check_contact(contact, self.secrets, report)
        if self.page is not None:
            people.check_page(self.page, report)
        if self.forward is not None:
            people.check_forward(self.forward, self.secrets, report)
        self._unique(self.devices, "id")
        self._unique(self.contacts, "name")
        self._unique([train.train for train in self.trains], "id")
        protocols = self.protocols()
        for train in self.trains:
            trains.check(train, protocols, report)
        trains.check_registers(self.trains, report)
        self._check_use()

    def protocols(self) -> dict[str, str | None]:
        """Protocol of each device, None where it cannot be told; ids of broken tables are known too."""
        return {
            device.table.id: devices.known_protocol(device)
            for device in self.devices
            if device.ok("id")
        }

    def _unique(self, tables: list[Checked[M]], key: str) -> None:
        first: dict[str, Checked[M]] = {}
        for checked in tables:
            if not checked.ok(key):
                continue
            value = str(getattr(checked.table, key))
            if value in first:
                line = self.report.lines((*first[value].loc, key))
                self.report.problem(
                    (*checked.loc, key),
                    f"{key} {shown(value)} is used twice, first at line {line}",
                    "give each its own",
                )
            first.setdefault(value, checked)

    def _check_use(self) -> None:
        """Devices without points, and nobody to tell, are allowed, but hardly meant."""
        used = {p.table.device for t in self.trains for p in t.points if p.ok("device")}
        for device in self.devices:
            if device.ok("id") and device.table.id not in used:
                self.report.warning(device.loc, "no point is read from it")
        if not self.tree.get("contact"):
            self.report.warning((), "no [[contact]]: notices are shown on the page only")

    def convert(self, path: Path, folder: Path) -> Plant:
        """The plant, once no problem is left."""
        assert self.site is not None
        water = Water() if self.water is None else Water(**self.water.table.model_dump())
        store = StoreTable() if self.store is None else self.store.table
        page = Page() if self.page is None else people.page(self.page.table)
        forward: Forward | None = None
        if self.forward is not None:
            forward = people.forward(self.forward.table, self.secrets)
        protocols = self.protocols()
        configs = tuple(trains.convert(train, protocols, water) for train in self.trains)
        for train, config in zip(self.trains, configs, strict=True):
            completeness.check(config, train.train.loc, self.report)
        return Plant(
            path=path,
            site=Site(**self.site.table.model_dump()),
            devices={d.table.id: devices.convert(d.table, folder) for d in self.devices},
            device_clock={d.table.id: devices.clock_of(d.table) for d in self.devices},
            trains=configs,
            contacts=tuple(people.contact(c.table, self.secrets) for c in self.contacts),
            store=Store(folder / store.folder, store.raw_hours, store.minutes_years),
            page=page,
            forward=forward,
            water=water,
            warnings=tuple(self.report.warnings),
        )
