"""Work packs: what they are asked for, the sections and numbers in them, and what is left open."""

import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from daemon import plantfile
from daemon.commands import app
from daemon.plantfile import Plant
from daemon.rows import Notice
from daemon.workpack import Situation, WorkPackError, order, pack, printed
from daemon.workpack.model import BOX, Block, Pack, Section

EXAMPLE = Path(__file__).parents[2] / "deploy" / "plants" / "two-stage.toml"
NOW = 1_767_571_200.0  # Monday 2026-01-05 00:00 UTC, 01:00 in Madrid
KNOWN = Situation(
    NOW,
    values={"1/feed_pressure": 13.4, "2/permeate_pressure": 0.35, "feed_temperature": 15.0},
    read_at=NOW,
)
JOBS: dict[str, dict[str, Any]] = {
    "clean": {"job": "clean", "stage": 2, "solution": "citric_acid"},
    "probe": {"job": "probe", "vessel": "1-03"},
    "element": {"job": "element", "vessel": "1-03", "position": "4"},
    "joint": {"job": "element", "vessel": "2-03", "position": "4-5"},
    "membranes": {"job": "membranes", "stage": 1},
}
ALWAYS = ["scope", "people", "tools", "isolation", "sign_off"]
SECTIONS = {
    "clean": [
        "limits",
        "solution",
        "chemicals_handling",
        "clean",
        "log",
        "checks",
        "restart",
        "drinking_water",
        "record",
    ],
    "probe": ["prepare", "probe", "sheet", "refit"],
    "element": [
        "parts",
        "unload",
        "load",
        "load_sheet",
        "gap",
        "checks",
        "restart",
        "drinking_water",
        "record",
    ],
}
SECTIONS["joint"] = SECTIONS["membranes"] = SECTIONS["element"]


@pytest.fixture(scope="module")
def plant() -> Plant:
    """The example of deploy/plants."""
    return plantfile.load(EXAMPLE, secrets=False)


def changed(folder: Path, *changes: tuple[str, str]) -> Plant:
    """The example with texts replaced."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in changes:
        assert re.search(old, text, re.DOTALL), old
        text = re.sub(old, new, text, count=1, flags=re.DOTALL)
    (folder / "plant.toml").write_text(text, encoding="utf-8")
    return plantfile.load(folder / "plant.toml", secrets=False)


def scaling(**changes: Any) -> Notice:
    """Notice A-0007: stage 2 scales."""
    picture = {
        "stage": 2,
        "causes": [
            {"cause": "scaling", "probability": 0.81, "point": None},
            {"cause": "biofouling", "probability": 0.12, "point": None},
        ],
        "action": "clean",
        "priority": "medium",
        "notice_class": "advisory",
        "since": NOW - 9 * 86400,
        "message": "Train A stage 2: scaling likely. Flow -6.4 %.",
        "evidence": ["Permeate flow of stage 2 fell by 6.4 %."],
        "deviation": {"2": {"permeate_flow": -0.0661, "salt_passage": 0.0305}},
    }
    return Notice("A", "performance", id="A-0007", picture=picture | changes)


def made(plant: Plant, known: Situation = KNOWN, **asked: Any) -> Pack:
    """The pack of train A."""
    return pack(order(plant, plant.train("A"), **asked), known)


def section(found: Pack, key: str) -> Section:
    """One section."""
    (one,) = [s for s in found.sections if s.key == key]
    return one


def tables(found: Pack, key: str) -> list[Block]:
    """The tables of a section, those in pairs too."""
    blocks = [inner for b in section(found, key).blocks for inner in (b.pair or (b,))]
    return [b for b in blocks if b.kind == "table"]


def everything(value: object) -> str:
    """All words of a pack or a part of it."""
    if isinstance(value, str):
        return value
    if isinstance(value, (list, tuple)):
        return "\n".join(everything(v) for v in value)
    if dataclasses.is_dataclass(value):
        return "\n".join(everything(getattr(value, f.name)) for f in dataclasses.fields(value))
    return ""


# what is in it


@pytest.mark.parametrize("name", JOBS)
def test_every_pack_has_its_sections_in_order_of_the_work(plant: Plant, name: str) -> None:
    """Scope and people first, isolation before any work, signatures last."""
    found = made(plant, **JOBS[name])
    keys = [s.key for s in found.sections]
    assert set(keys) == {*ALWAYS, *SECTIONS[name]}
    assert keys[:2] == ["scope", "people"]
    assert keys[-1] == "sign_off"
    work = [keys.index(k) for k in SECTIONS[name] if k not in ("parts", "drinking_water")]
    assert min(work) > keys.index("isolation")
    assert work == sorted(work)


@pytest.mark.parametrize("name", JOBS)
def test_every_pack_defers_and_asks_for_two_people(plant: Plant, name: str) -> None:
    """Site procedure, local codes and licensed people go first; two people, no ladders, nobody alone."""
    said = everything(made(plant, **JOBS[name]))
    for words in ("lock-out", "local codes", "licensed", "no safety or interlock system"):
        assert words in said
    assert "Two people for the whole job" in said
    assert "Nobody works alone" in said
    if name != "clean":
        assert "No ladders" in said
        assert "Eye protection" in said


@pytest.mark.parametrize("name", JOBS)
def test_isolation_names_the_points_and_the_instruments_of_this_train(
    plant: Plant, name: str
) -> None:
    """Tags of the plant file, with the reading when there is one, and a box for each."""
    points, pressures = tables(made(plant, **JOBS[name]), "isolation")
    assert [row[0] for row in points.rows] == [
        "HV-101", "HV-111", "HV-121", "HV-131", "P-101", "P-141", "HV-151", "HV-152", "",
    ]  # fmt: skip
    by_tag = {row[0]: row for row in pressures.rows}
    assert by_tag["A/1/feed_pressure"][1:] == ("13.40 bar", "", BOX)
    assert by_tag["A/2/permeate_pressure"][1] == "0.35 bar"
    assert by_tag["A/2/feed_pressure"][1] == ""
    assert pressures.head[1] == "Now, 01:00"
    assert len(by_tag) == 9  # three pressures of each of two stages, and three flows


def test_old_readings_are_dated(plant: Plant) -> None:
    """A reading of yesterday does not pass for one of now; without any the column is empty."""
    old = dataclasses.replace(KNOWN, read_at=NOW - 86400, old=True)
    (_, pressures) = tables(made(plant, old, **JOBS["element"]), "isolation")
    assert pressures.head[1] == "Last read 2026-01-04 01:00"
    (_, never) = tables(made(plant, Situation(NOW), **JOBS["element"]), "isolation")
    assert {row[1] for row in never.rows} == {""}


@pytest.mark.parametrize(
    ("name", "counts"),
    [
        # by hand: one vessel of six; element 4 touches two interconnectors and no adapter
        ("element", {"Membrane elements, of the type in the load map": 1, "Brine seals": 7, "Interconnectors": 3,
                     "O-rings of the joints": 21, "End adapters": 1, "O-rings of the adapters": 5,
                     "Head and port seals": 5, "Shims": 8}),
        # by hand: no element; one interconnector
        ("joint", {"Brine seals": 7, "Interconnectors": 2, "O-rings of the joints": 21, "End adapters": 1,
                   "O-rings of the adapters": 5, "Head and port seals": 5, "Shims": 8}),
        # by hand: 8 vessels of six, 48 + 1, 48 + 3, 40 + 2, 160 + 8, 16 + 1, 32 + 2, 32 + 2, 48 + 16
        ("membranes", {"Membrane elements, of the type in the load map": 49, "Brine seals": 51,
                       "Interconnectors": 42, "O-rings of the joints": 168, "End adapters": 17,
                       "O-rings of the adapters": 34, "Head and port seals": 34, "Shims": 64}),
    ],
)  # fmt: skip
def test_parts_are_counted(plant: Plant, name: str, counts: dict[str, int]) -> None:
    """Pieces to take along, from the geometry of the plant file. A gap of 25 mm takes 3 × 5 + 3 × 3."""
    (parts,) = tables(made(plant, **JOBS[name]), "parts")
    column = parts.head.index("Take")
    taken = {row[1]: row[column] for row in parts.rows if not row[column].endswith(" g")}
    assert taken == {k: str(v) for k, v in counts.items()}


def test_parts_of_a_whole_train(plant: Plant) -> None:
    """By hand: 8 and 4 vessels of six make 48 and 24 elements, 40 and 20 interconnectors."""
    (parts,) = tables(made(plant, job="membranes"), "parts")
    assert parts.head[2:4] == ("Stage 1", "Stage 2")
    needed = {row[1]: row[2:4] for row in parts.rows}
    assert needed["Membrane elements, of the type in the load map"] == ("48", "24")
    assert needed["Interconnectors"] == ("40", "20")


def test_gap_sheet_of_the_example(plant: Plant) -> None:
    """By hand: 6230 − 6 × 1016 − 60 − 58 = 16 mm, ± 6 × 1.5; at 15 mm one of 5 and three of 3 leave 1."""
    gap = section(made(plant, **JOBS["membranes"]), "gap")
    assert "6230 − 6 × 1016 − 60 (adapter) − 58 (thrust ring) = 16.0 mm" in everything(gap)
    assert "from 7.0 to 25.0 mm" in everything(gap)
    choice, sheet = [b for b in gap.blocks if b.kind == "table"]
    column = choice.head.index("15")
    assert [row[column] for row in choice.rows] == ["1", "3", "1.0"]
    assert [row[0] for row in sheet.rows] == [f"1-{v:02d}" for v in range(1, 9)]


def test_elements_go_out_and_in_in_flow_direction(plant: Plant) -> None:
    """Position 6 comes out first and goes in first; brine seals look to the feed; the drawing marks position 4."""
    found = made(plant, Situation(NOW, loaded={"1-03/6": "SN-0006"}), **JOBS["element"])
    assert "Receive position 6 first, position 1 last" in everything(section(found, "unload"))
    load = everything(section(found, "load"))
    assert "position 6 goes in first, position 1 last" in load
    assert "lip open toward the feed" in load
    (sheet,) = tables(found, "load_sheet")
    assert [row[1] for row in sheet.rows] == [
        "1-03/6", "1-03/5", "1-03/4 NEW", "1-03/3", "1-03/2", "1-03/1",
    ]  # fmt: skip
    assert sheet.rows[0][2] == "SN-0006"
    drawn = section(found, "scope").blocks[-1].drawing
    assert drawn is not None
    assert [e.position for e in drawn.elements if e.marked] == [4]
    assert not any(j.marked for j in drawn.joints)


def test_an_interconnector_is_marked_between_its_elements(plant: Plant) -> None:
    """4-5 is the joint after the fourth element; nothing else is marked."""
    drawn = section(made(plant, **JOBS["joint"]), "scope").blocks[-1].drawing
    assert drawn is not None
    assert [i for i, j in enumerate(drawn.joints) if j.marked] == [4]
    assert not any(e.marked for e in drawn.elements)


@pytest.mark.parametrize(("end", "joint"), [("feed", 0), ("concentrate adapter", 6)])
def test_an_end_adapter_is_marked_at_its_end(plant: Plant, end: str, joint: int) -> None:
    """Feed at the left, concentrate at the right."""
    found = made(plant, job="element", vessel="1-03", position=end)
    drawn = section(found, "scope").blocks[-1].drawing
    assert drawn is not None
    assert [i for i, j in enumerate(drawn.joints) if j.marked] == [joint]
    assert found.title == "Replace an end adapter"


def test_marks_of_the_tube(plant: Plant) -> None:
    """Port at the concentrate end: by hand 200 + 6 × 1016 − 100 = 6196 mm is the feed end of element 1."""
    (sheet,) = tables(made(plant, **JOBS["probe"]), "sheet")
    assert sheet.rows[0][:2] == ("6196", "element 1, feed end")
    assert "probe at the concentrate end" in sheet.text


# cleaning


def test_a_clean_in_numbers(plant: Plant) -> None:
    """By hand: 4 × 199.65 × 0.8 = 639, pipes 235.6 + 59.7 = 295, heel 400: 1334 L; citric acid 2 % is 27 kg.

    Heat 1334 × 4.18 × 20 / 3600 = 31 kWh, at 36 kW 52 min. The pump gives each of 4 vessels 9 m3/h at most.
    """
    found = made(plant, **JOBS["clean"])
    volume, chemicals = tables(found, "solution")
    assert [row[1] for row in volume.rows] == ["639", "295", "400", "1334"]
    assert [(row[1], row[3]) for row in chemicals.rows] == [("Citric acid", "27 kg")]
    said = everything(found)
    assert "Heat: 31 kWh from 15 °C (the feed's) to 35 °C, 52 min at 36 kW." in said
    assert "36 m³/h (9.0 through each of 4 vessels)" in said
    limits = {row[0]: row[1] for row in tables(found, "limits")[0].rows}
    assert limits["pH of the solution"] == "1.5 to 12"
    assert limits["Temperature, at most"] == "35 °C"
    assert limits["Feed pressure, at most"] == "4 bar"
    assert found.missing == ()


def test_a_notice_gives_reason_stage_and_solution(plant: Plant) -> None:
    """Scaling in stage 2 is cleaned with citric acid; the numbers of the notice stand in the pack."""
    found = made(plant, notice=scaling())
    assert (found.job, found.place) == ("clean", "Train A, stage 2")
    assert dict(found.facts)["Solution"] == "citric acid, 2 %"
    scope = section(found, "scope")
    said = everything(scope)
    assert "Notice A-0007: Train A stage 2: scaling likely. Flow −6.4 %." in said
    assert "scaling 81 %, biofouling 12 %" in said
    assert "Permeate flow of stage 2 fell by 6.4 %." in said
    (changes,) = [b for b in scope.blocks if b.kind == "table"]
    assert changes.rows == (("Stage 2", "−6.4 %", "+3.1 %", "–"),)


def test_handling_and_disposal_of_chemicals(plant: Plant) -> None:
    """Acid into water, one chemistry at a time, discharge as the permit says; alkaline cleans warn of salt passage."""
    acid = everything(made(plant, **JOBS["clean"]))
    assert "Acid into water" in acid
    assert "only as the site's permit says" in acid
    assert "eyewash" in acid
    assert "24 to 48 h" not in acid
    alkaline = everything(made(plant, job="clean", stage=2, solution="detergent"))
    assert "24 to 48 h" in alkaline


def test_a_pump_that_is_too_small_is_said(tmp_path: Path) -> None:
    """8 vessels at 6 m3/h; a pump of 25 serves four at once, one of 5 none."""
    four = changed(tmp_path, ("pump_m3h = 60", "pump_m3h = 25"))
    said = everything(made(four, job="clean", stage=1, solution="citric_acid"))
    assert "Clean in 2 blocks of 4" in said
    none = changed(tmp_path, ("pump_m3h = 60", "pump_m3h = 5"))
    said = everything(made(none, job="clean", stage=1, solution="citric_acid"))
    assert "too small even for one vessel" in said


def test_a_tank_that_is_too_small_is_said(tmp_path: Path) -> None:
    """1334 L do not go into 1 m3."""
    small = changed(tmp_path, ("tank_m3 = 3.0", "tank_m3 = 1.0"))
    assert "The tank holds 1000 L" in everything(made(small, **JOBS["clean"]))


def test_limits_that_forbid_a_solution(tmp_path: Path) -> None:
    """Neither amounts nor a pack: another solution has to be chosen."""
    gentle = changed(tmp_path, ("ph_max = 12.0", "ph_max = 9.5"))
    with pytest.raises(WorkPackError, match=r"pH 1\.5 to 9\.5, leave this solution no useful pH"):
        made(gentle, job="clean", stage=1, solution="edta")


# what the plant file does not say


def test_what_is_missing_is_left_open_and_named(tmp_path: Path) -> None:
    """Without the tables for work packs nothing is guessed: blanks, amounts for 1000 L, gap to be measured."""
    bare = changed(tmp_path, (r"\[\[train\.vessel\]\].*?# -+ points of the whole train", ""))
    cleaning = made(bare, **JOBS["clean"])
    assert "inside_diameter_mm of [[train.vessel]]" in cleaning.missing
    assert "[train.cleaning] with ph_min, ph_max and temperature_max_c" in cleaning.missing
    said = everything(cleaning)
    assert "Nobody starts before they are written here" in said
    assert "amounts are for 1000 L" in said
    assert "Aim, if the membrane's limits allow it: pH 2.1" in said
    assert "warm to ____ °C" in said
    limits = {row[0]: row[1] for row in tables(cleaning, "limits")[0].rows}
    assert limits["pH of the solution"] == "____ to ____"
    element = made(bare, **JOBS["element"])
    said = everything(element)
    assert (
        "[[train.vessel]] lacks inside_length_mm, feed_adapter_mm, thrust_ring_mm, shims_mm" in said
    )
    assert "Assumed, because the plant file does not say: 2 O-rings each adapter" in said
    assert "weigh one element first" in said
    (parts,) = tables(element, "parts")
    assert [row[4] for row in parts.rows if row[1] == "Shims"] == ["measure"]
    points, _ = tables(element, "isolation")
    assert {row[0] for row in points.rows} == {""}


@pytest.mark.parametrize(
    ("said", "title"),
    [("drinking_water = true", "Drinking water: before return to supply"), ("", "If people drink this water")],
)  # fmt: skip
def test_drinking_water_comes_back_by_flush_and_sample(
    tmp_path: Path, said: str, title: str
) -> None:
    """Where the file says so, and with an if where it says nothing."""
    plant = changed(tmp_path, (r"drinking_water = true[^\n]*", said))
    water = section(made(plant, **JOBS["element"]), "drinking_water")
    assert water.title == title
    assert "Samples after the flush" in everything(water)


def test_water_that_nobody_drinks_needs_no_release(tmp_path: Path) -> None:
    """No section, and nobody to sign for it."""
    plant = changed(tmp_path, ("drinking_water = true", "drinking_water = false"))
    found = made(plant, **JOBS["element"])
    assert "drinking_water" not in [s.key for s in found.sections]
    assert "released" not in everything(section(found, "sign_off"))


def test_a_pressure_without_an_instrument_asks_for_a_gauge(tmp_path: Path) -> None:
    """Nothing is taken for zero because nobody measures it."""
    without = changed(
        tmp_path,
        (r'\[\[train\.point\]\]\nrole = "permeate_pressure"\nstage = 2\n.*?range = \[0, 4\]\n', ""),
    )
    (_, pressures) = tables(made(without, **JOBS["element"]), "isolation")
    assert "local gauge, permeate pressure 2" in [row[0] for row in pressures.rows]


# what cannot be made


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, "say which job; use clean, probe, element or membranes"),
        ({"job": "repair"}, "job repair is not known; use clean, probe, element or membranes"),
        ({"job": "probe"}, "say which stage: train A has 1 to 2"),
        ({"job": "clean", "stage": 3}, "there is no stage 3; train A has 1 to 2"),
        ({"job": "probe", "vessel": "1.3"}, "vessel 1.3 is no vessel; write stage and number, like 1-03"),
        ({"job": "probe", "vessel": "1-09"}, "there is no vessel 1-09; stage 1 has 1-01 to 1-08"),
        ({"job": "probe", "vessel": "1-03", "stage": 2},
         "vessel 1-03 is not in stage 2; leave one of them out"),
        ({"job": "membranes", "vessel": "1-03"},
         "a membranes pack is for whole stages: leave vessel out, or ask for the job element"),
        ({"job": "element"}, "say which vessel, like 1-03: a survey of the stage and a probe of the vessel find it"),
        ({"job": "element", "vessel": "1-03", "position": "7"},
         "there is no position 7 in vessel 1-03: use 1 to 6, an interconnector 1-2 to 5-6, feed or concentrate"),
        ({"job": "element", "vessel": "1-03", "position": "4-6"},
         "there is no position 4-6 in vessel 1-03: use 1 to 6, an interconnector 1-2 to 5-6, feed or concentrate"),
        ({"job": "probe", "vessel": "1-03", "position": "4"},
         "position belongs to the job element with its vessel; leave it out"),
        ({"job": "clean", "stage": 1},
         "say which solution: citric_acid, hydrochloric_acid, edta, detergent; "
         "a notice that names a deposit decides it"),
        ({"job": "clean", "stage": 1, "solution": "vinegar"},
         "solution vinegar is not known; use one of citric_acid, hydrochloric_acid, edta, detergent"),
        ({"job": "probe", "vessel": "1-03", "solution": "edta"}, "solution belongs to the job clean; leave it out"),
    ],
)  # fmt: skip
def test_what_cannot_be_made_is_said_with_a_remedy(
    plant: Plant, asked: dict[str, Any], said: str
) -> None:
    """One sentence: what is wrong, and what would do."""
    with pytest.raises(WorkPackError) as caught:
        made(plant, **asked)
    assert str(caught.value) == said


def test_element_needs_its_place(plant: Plant) -> None:
    """Nobody opens a vessel without knowing what for."""
    with pytest.raises(WorkPackError, match="say what is to be replaced with position"):
        made(plant, job="element", vessel="1-03")


def test_a_notice_of_another_train_or_matter(plant: Plant) -> None:
    """A pack of train A is not made for train B; oxidation is not cleaned without saying so."""
    with pytest.raises(WorkPackError, match="notice B-0001 is about train B, not A"):
        made(plant, notice=dataclasses.replace(scaling(), train="B", id="B-0001"))
    oxidized = scaling(causes=[{"cause": "oxidation_damage", "probability": 0.9, "point": None}])
    with pytest.raises(WorkPackError, match="does not call for a cleaning"):
        made(plant, job="clean", notice=oxidized)
    watching = scaling(action="watch")
    with pytest.raises(WorkPackError, match="say which job"):
        made(plant, notice=watching)


def test_places_as_a_probe_answers_them(plant: Plant) -> None:
    """1-03/4, 1-03/4-5 and feed-end adapter can be copied from the answer of a probe."""
    for said, where in (
        ("1-03/4", "position 4"),
        ("1-03/4-5", "interconnector 4-5"),
        ("feed-end adapter", "feed adapter"),
    ):
        assert made(plant, job="element", vessel="1-03", position=said).place.endswith(where)


# on paper


class Reader(HTMLParser):
    """Counts tags and collects what a file would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.tags: dict[str, int] = {}
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        for name, value in attrs:
            if name in ("src", "href") and value:
                self.fetched.append(value)
            if name == "id" and value:
                self.ids.append(value)


@pytest.mark.parametrize("name", JOBS)
def test_the_file_needs_nothing_else(plant: Plant, name: str) -> None:
    """Style and drawing are inside; no script, no address; every section has its place in the file."""
    found = made(plant, **JOBS[name])
    text = printed.html(found, paper="letter")
    reader = Reader()
    reader.feed(text)
    assert reader.fetched == []
    assert "script" not in reader.tags
    assert "url(" not in text
    assert "@page { size: Letter; }" in text
    assert reader.ids == [s.key for s in found.sections]
    assert reader.tags.get("svg", 0) == (0 if name == "clean" else 1)
    assert 'counter(page) " of " counter(pages)' in text


def test_names_of_the_plant_are_escaped(tmp_path: Path) -> None:
    """A name with markup in it stays a name."""
    plant = changed(tmp_path, (r"North well field \(invented\)", "<b>North</b> & field"))
    text = printed.html(made(plant, **JOBS["probe"]))
    assert "&lt;b&gt;North&lt;/b&gt; &amp; field" in text
    assert "<b>North</b>" not in text


def test_without_chromium_a_pdf_is_refused_in_words(
    plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is missing, and what would do; no file is written."""
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(WorkPackError, match=r"none is installed here .*write an \.html file"):
        printed.pdf(made(plant, **JOBS["probe"]), tmp_path / "pack.pdf", "a4")
    assert not (tmp_path / "pack.pdf").exists()


def test_a_chromium_that_fails_is_told(
    plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its last line stands in the message."""
    broken = tmp_path / "chromium"
    broken.write_text("#!/bin/sh\necho no display >&2\nexit 1\n")
    broken.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    with pytest.raises(WorkPackError, match=r"made no PDF \(no display\)"):
        printed.pdf(made(plant, **JOBS["probe"]), tmp_path / "pack.pdf", "a4")


# what is told to the daemon afterwards


@pytest.mark.parametrize(
    ("name", "command"),
    [
        ("clean", '--detail "stage 2, acid: citric acid, 2 %" --event cleaning_end'),
        ("element", "brinelark elements two-stage.toml --train A --by NAME --replace 1-03/4=SERIAL"),
        ("joint", '--detail "vessel 2-03, interconnector 4-5" --event seals_replaced'),
        ("membranes", '--detail "stage 1" --event membranes_replaced'),
    ],
)  # fmt: skip
def test_the_record_is_ready_to_be_entered(plant: Plant, name: str, command: str) -> None:
    """The commands have the plant, the train and the place of this job; their options exist."""
    said = everything(section(made(plant, **JOBS[name]), "record"))
    assert command in said
    for words in re.findall(r"^brinelark (\w+)|(?<= )--(\w+)", said, re.MULTILINE):
        commands = get_command(app).commands  # type: ignore[attr-defined]
        if words[0]:
            options = {o for p in commands[words[0]].params for o in p.opts}
        else:
            assert f"--{words[1]}" in options
