"""The sheets that a technician takes along: where to sample, in which order, and what to mind."""

from dataclasses import dataclass

from daemon.plantfile import TrainConfig
from daemon.survey import names
from rules.tube import Tube, positions

CAUTIONS = (
    "The site's own procedure, permit and local codes go before this sheet. Who samples is trained for it.",
    "The vessels stand under pressure while they run. Never loosen a plug, clamp or end cap to get a sample.",
    "Two people: one samples, one watches and can stop the train. Gloves, eye protection, dry footing.",
    "Open a sample valve slowly, face away from its outlet, and lead the water to a drain.",
    "No climbing on vessels or pipes; use the site's scaffold or platform, no ladder.",
    "Permeate of a train that has just been cleaned or preserved may hold chemicals: flush it first.",
)
"""On every sheet."""

PROBE_CAUTIONS = (
    "Only through a port made for it, with a gland or valve that holds the tube at permeate pressure; if there is"
    " none, the train is stopped, isolated and depressurized by the site's procedure before the port is opened.",
    "Verify on the gauges at the vessel, not on a screen, that the permeate side has the pressure the port and"
    " the gland are made for.",
    "The tube can be pushed out: hold it, stand aside of its end, and never look into the port.",
    "Clean tube, clean hands: the port is on the side of the product water. Disinfect by the site's rules.",
)
"""On a probe sheet besides."""

SURVEY_STEPS = (
    "The train runs steadily for 30 minutes before, with set-points as usual, and nothing is changed until the end.",
    "One meter for all, rinsed three times with the sample; check it against a standard before and after.",
    "Let each valve run until the reading stands still (one minute is usual), then note conductivity and"
    " temperature.",
    "Read the first vessel again at the end. If it has changed by more than 5 %, the train or the meter has moved:"
    " begin again.",
)

PROBE_STEPS = (
    "The train runs steadily for 30 minutes before, with set-points as usual, and nothing is changed until the end.",
    "Mark the tube at every distance of this sheet, counted from the face of the port.",
    "Push the tube to the deepest mark and work outward, so that each sample meets fresh water.",
    "At each mark let the tube's own water run out first (three times its volume), then note conductivity and"
    " temperature.",
)


@dataclass(frozen=True, slots=True)
class SurveyStop:
    """One stop of the walk. again : the first vessel once more."""

    number: int
    vessel: str
    again: bool = False


@dataclass(frozen=True, slots=True)
class ProbeStop:
    """One mark on the tube, the deepest first."""

    number: int
    distance_mm: float
    place: str

    @property
    def distance_in(self) -> float:
        """For tubes marked in inches."""
        return self.distance_mm / 25.4


def survey_stops(train: TrainConfig, stage: int) -> tuple[SurveyStop, ...]:
    """All sample valves of a stage along the rack, by number, and the first once more."""
    every = names(train, stage)
    stops = [SurveyStop(i, name) for i, name in enumerate(every, 1)]
    return (*stops, SurveyStop(len(stops) + 1, every[0], again=True))


def probe_stops(tube: Tube, *, half_steps: bool = False) -> tuple[ProbeStop, ...]:
    """Where to hold the tip, the deepest first."""
    return tuple(
        ProbeStop(i, p.distance_mm, p.place)
        for i, p in enumerate(positions(tube, half_steps=half_steps), 1)
    )


def tube_words(tube: Tube) -> str:
    """What the distances of a probe sheet rest on."""
    end = "feed" if tube.from_feed else "concentrate"
    port = "at both ends" if tube.port == "both" else f"at the {tube.port} end"
    return (
        f"{tube.elements} elements of {tube.element_length_mm:.0f} mm, {tube.adapter_length_mm:.0f} mm from the face of"
        f" the port to the first element, {tube.length_mm:.0f} mm in all; permeate leaves {port}; distances are"
        f" counted from the face of the port at the {end} end."
    )
