"""Fixed texts of the report: definitions, how the uncertainty was found, cautions."""

from __future__ import annotations

from harness.plan.schema import Cooldown, Plan, Soak, WarmUp
from harness.report.elements import Definition

LOW_DEFINITIONS = {
    "percentile": "1000 / the 99th percentile of frame time in ms (Hyndman and Fan 1996, type 7)",
    "mean-of-slowest": "1000 / the mean of the slowest ceil(n/100) frame times in ms",
    "time-share": "1000 / the frame time in ms above which frames add up to 1 % of the elapsed time",
}

CAUTIONS = (
    "The results hold for the one card that was measured, in this rig, room and driver. Another card of the "
    "same model may behave otherwise.",
    "Changing a card's power limit, clocks or voltage can crash the machine, lose unsaved work, shorten the "
    "life of the hardware or void its warranty. Keep to the limits of the card's maker, and leave work on "
    "open mains or modified cooling to qualified people.",
    "A setting that was stable for the length of these tests is not proven stable. Errors that do not crash "
    "(wrong pixels, wrong results of a computation) were not looked for.",
    "Power read from the driver is the card's own estimate. It does not include the rest of the machine.",
)

SOURCES = (
    "Each number in the tables of results has a name, shown when the pointer rests on it and listed in "
    "numbers.json beside this page. `levelrig explain FOLDER NAME` prints the chain behind it: the repeats "
    "that "
    "it rests on, their frame logs and telemetry with SHA-256, and the plan.",
    "The data package (dataset/datapackage.json, ro-crate-metadata.json, CITATION.cff) describes every "
    "file of "
    "the campaign; the tables carry their units.",
)


def definitions(plan: Plan) -> list[Definition]:
    """The terms of the report, as they are used in it."""
    low = plan.plan.one_percent_low
    return [
        Definition(
            "Average FPS", "frames / elapsed time of the measured window. Not the mean of 1/frame time."
        ),
        Definition(
            "1 % low", f"by the plan's choice ({low}): {LOW_DEFINITIONS[low]}. The 0.1 % low likewise."
        ),
        Definition(
            "Mean power",
            "energy over the window / its length; by the card's energy counter where it has one.",
        ),
        Definition("FPS per watt", "average FPS / mean power, both over the same window: frames per joule."),
        Definition(
            "Core temperature above ambient",
            "mean of the window's last quarter less mean ambient temperature.",
        ),
        Definition(
            "Repeat",
            "one accepted measurement of a cell. The repeat, never the frame, is the unit of every interval.",
        ),
        Definition("Cell", "title × setting × profile."),
        Definition(
            "Change",
            "ratio of a profile to the reference less one, in %. Temperatures and sound levels are "
            "compared by difference.",
        ),
        Definition(
            f"Margin ({plan.plan.margin_pct:g} %)",
            "the difference that the plan declares to count as none, symmetric in the logarithm.",
        ),
        Definition(
            "Same",
            "both one-sided tests place the change inside the margin. A plain lack of evidence is not "
            "called the same.",
        ),
        Definition("Undecided", "the data neither exclude no change nor place the change inside the margin."),
    ]


def uncertainty(plan: Plan) -> list[str]:
    """How the intervals were found, in sentences."""
    head = plan.plan
    pairing = (
        "Repeats of one block of the order are compared with each other, so that what drifts over the "
        "night falls out."
        if head.order == "balanced"
        else "The order was not blocked, so repeats of two profiles are compared as independent groups; "
        "a drift over the night is not removed."
    )
    return [
        f"Intervals are {head.confidence_pct:g} % t-intervals over repeats, computed on the logarithm of "
        f"ratios. {pairing}",
        "Across titles the geometric mean of the ratios is given with two intervals: one for these titles, "
        "and a wider "
        "one for titles like these, which also carries the scatter between titles.",
        "Where many titles are claimed at once, the p-values are adjusted by Holm's method.",
        "The intervals hold what varied between repeats. What was equal in all of them (a biased sensor, "
        "one copy of "
        "the card, one version of a title) is not in them.",
    ]


def cooldown_rule(rule: Cooldown, unit_source: str) -> str:
    """The cooldown rule in words."""
    parts = []
    if rule.until_at_most_c is not None:
        parts.append(f"{unit_source} at most {rule.until_at_most_c:g} °C")
    if rule.until_above_ambient_k is not None:
        parts.append(f"{unit_source} at most {rule.until_above_ambient_k:g} K above ambient")
    if rule.until_within_of_first_k is not None:
        parts.append(f"{unit_source} within {rule.until_within_of_first_k:g} K of the first start")
    if rule.or_stopped_falling:
        parts.append("it has stopped falling")
    until = " or ".join(parts)
    if not until:
        return f"{rule.seconds:g} s"
    least = f"at least {rule.seconds:g} s and " if rule.seconds else ""
    return f"{least}until {until}, for {rule.timeout_s:g} s at most"


def warm_up_rule(rule: WarmUp) -> str:
    """The warm-up rule in words."""
    parts = [f"{rule.seconds:g} s"] if rule.seconds or not (rule.passes or rule.until_steady) else []
    if rule.passes:
        parts.append(f"{rule.passes} passes of the title")
    if rule.until_steady:
        parts.append(f"until the frame rate is steady, for {rule.timeout_s:g} s at most")
    return ", then ".join(parts)


def soak_rule(rule: Soak) -> str:
    """The soak rule in words."""
    parts = []
    if rule.slope_at_most_c_per_min is not None:
        parts.append(f"temperature changes by at most {rule.slope_at_most_c_per_min:g} °C/min")
    if rule.clock_variation_at_most_pct is not None:
        parts.append(f"clock varies by at most {rule.clock_variation_at_most_pct:g} %")
    if not parts:
        return "none"
    return f"until over {rule.window_s:g} s the {' and the '.join(parts)}, for {rule.timeout_s:g} s at most"
