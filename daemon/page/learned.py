"""What has been learned of a train's own constants, in sentences."""

from collections.abc import Sequence

from rules.dependence import Learned

_WHAT = {"permeate_flow": "permeate flow", "salt_passage": "salt passage"}


def sentences(learned: Sequence[Learned]) -> tuple[str, ...]:
    """One sentence for each constant that people know by name: temperature, and exponent of the pressure drop.

    Flux and salinity are corrected for as well, but their constants have no name in the trade.
    """
    return tuple(text for one in learned if (text := _sentence(one)))


def _sentence(one: Learned) -> str:
    place = "the train" if one.section == "train" else f"stage {one.section}"
    if one.driver == "temperature" and one.quantity in _WHAT:
        return (
            f"The {_WHAT[one.quantity]} of {place} rises by {100 * one.value:.2f} ± {100 * one.error:.2f} %"
            f" for each K; the constant in use says {100 * one.textbook:.2f} %."
        )
    if one.driver == "reynolds":
        return (
            f"The pressure drop of {place} follows the flow to the power {one.value:.2f} ± {one.error:.2f};"
            f" the exponent in use is {one.textbook:.2f}."
        )
    return ""
