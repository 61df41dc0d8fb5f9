"""What several trains show at the same time: said in the evidence of each, because it points to what they share."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from daemon.rows import Notice
from rules.actions import errand
from rules.digest import BLOCK_S
from rules.findings import Finding, Presence
from rules.performance import FURTHER, MATTER
from rules.words import day

TOGETHER_S = 5 * 86400.0
"""Onsets this close together are the same time: an onset is known to days. Common practice, no source. [s]"""


def worth_asking(findings: Iterable[Finding]) -> bool:
    """Whether any finding is of a kind that trains on one feed may share."""
    return any(_shareable(f) for f in findings)


def with_others(findings: Sequence[Finding], others: Sequence[Notice], now: float) -> list[Finding]:
    """The findings of a train, with a sentence where another train is to be told the same.

    others : live notices of the other trains. now : end of the evaluation, plant time. [s] Only what was raised
        a quarter hour ago counts, so that the order in which trains are judged changes nothing.
    """
    settled = [n for n in others if n.present and (n.raised_at or now) <= now - BLOCK_S]
    return [_beside(f, settled) if _shareable(f) else f for f in findings]


def _shareable(finding: Finding) -> bool:
    return finding.presence is Presence.PRESENT and finding.matter in (MATTER, FURTHER)


def _beside(finding: Finding, others: Sequence[Notice]) -> Finding:
    told = []
    for notice in others:
        since = notice.picture.get("since")
        if (
            notice.matter in (MATTER, FURTHER)
            and errand(notice.cause) == errand(finding.cause)
            and since is not None
            and finding.since is not None
            and abs(since - finding.since) <= TOGETHER_S
        ):
            told.append(
                f"Train {notice.train} has shown the same since {day(since)}. If the two share a feed, look there "
                "first: at its pretreatment, its chemistry and its meters."
            )
    return replace(finding, evidence=(*told, *finding.evidence)) if told else finding
