"""The figures of a trained model as rows of tables, for the terminal and the report alike.

Cells are text, numbers or None. Figures that a model's metrics do not have are left out, so that models of
earlier versions can be shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dataset.values import natural
from dataset.words import GroupBy
from training.judging.figures import (
    NOT_KEPT,
    BandFigures,
    ClassFigures,
    Episodes,
    Figures,
    FlagRates,
    Joint,
    PowerOn,
)
from training.search.metrics import NEVER_RAISED, AgainstNext, CandidateRow, Metrics, TrimGate
from training.search.study_figures import Ablation, ShortErrors, StudyRow

Cell = str | int | float | None
Row = tuple[Cell, ...]

CLASS_COLUMNS = (
    "class",
    "groups",
    "frames",
    "accepted %",
    "P50 mm",
    "P95 mm",
    "max mm",
    "P95 %",
    "by frame mm",
    "worst group",
    "its P95 mm",
    "label u mm",
)
WEIGHTS = "All groups are weighted equally; 'by frame' is the P95 of all frames pooled"
CANDIDATE_COLUMNS = (
    "model",
    "bits",
    "watcher",
    "mean mm",
    "clean mm",
    "foam mm",
    "film mm",
    "accepted %",
    "flash",
    "cycles",
    "chance %",
    "meets",
    "",
)
CLASS_NAMES = {
    "clean": "clean",
    "foam": "foam",
    "film": "film, drops",
    "drops": "drops",
    "scale": "scale",
    "sloshing": "sloshing",
    "tilted": "tilted",
    "empty": "empty",
    "dry": "dry",
    "all": "all",
}
PLACES = ("zone", "level band", "liquid", "coupling", "flow", "temperature", "unit")


def short(value: object) -> float | None:
    """A figure to three digits, which is more than any of them is worth."""
    return float(f"{value:.3g}") if isinstance(value, int | float) and not isinstance(value, bool) else None


def percent(share: object) -> float | None:
    """A share in per cent, to a tenth; near 0 and 100 to two digits of what is left, so that neither is said
    of what is not quite so.
    """
    if not isinstance(share, int | float):
        return None
    per_cent = 100 * float(share)
    if 99 < per_cent < 100:
        return 100 - float(f"{100 - per_cent:.2g}")
    return float(f"{per_cent:.2g}") if 0 < per_cent < 1 else round(per_cent, 1)


def class_rows(claims: Figures) -> list[Row]:
    """One row a class that was captured: clean, foam, film and drops, then what may come with any of these,
    empty, dry, all.
    """
    return [
        (shown, *_errors(claims.classes[name]))
        for name, shown in CLASS_NAMES.items()
        if name in claims.classes
    ]


SHORT_COLUMNS = ("where", "groups", "frames", "accepted %", "P50 mm", "P95 mm", "max mm", "P95 %")


def short_place_rows(claims: Figures) -> list[Row]:
    """The rows of :func:`place_rows` that fit a terminal: no level bands, no worst group."""
    return [
        row[: len(SHORT_COLUMNS)] for row in place_rows(claims) if not str(row[0]).startswith("level band")
    ]


def place_rows(claims: Figures) -> list[Row]:
    """The same columns by zone, level band, liquid, coupling, flow, temperature and unit, each row named
    'place: value'. Frames with liquid only.
    """
    return [
        (f"{place}: {name}", *_errors(errors))
        for place in PLACES
        for name, errors in sorted(claims.by.get(place, {}).items(), key=lambda row: natural(row[0]))
    ]


def _errors(errors: ClassFigures) -> Row:
    worst = errors.worst_group_p95_mm
    return (
        errors.groups,
        errors.frames,
        percent(errors.accepted_share),
        short(errors.p50_mm),
        short(errors.p95_mm),
        short(errors.max_mm),
        short(errors.p95_pct),
        short(errors.frames_p95_mm),
        errors.worst_group if worst else None,  # of groups without an error, none is the worst
        short(worst),
        short(errors.label_u_mm),
    )


def rate_rows(claims: Figures) -> list[tuple[str, str]]:
    """Rates with their bounds, runs, flags, hysteresis, band and lowest pad: what it is, and what was found,
    as text.
    """
    rows = [
        ("false wet: empty tank read above 5 % of span", _episodes(claims.false_wet)),
        ("by what is on the empty tank's wall", _episodes_by(claims.false_wet_by)),
        ("false dry: called empty above 5 % of span", _episodes(claims.false_dry)),
        (
            "dry tank recognised",
            _least(_share(claims.dry_recognised_share, "of its frames"), claims.dry_recognised_least),
        ),
        ("longest withheld", _seconds(claims.longest_withheld_s)),
        ("longest wrong by more than 5 % of span", _seconds(claims.longest_wrong_s)),
        *((f"{flag} flagged", _flag(claims.flags.get(flag), flag)) for flag in ("foam", "film")),
        *_joint_rows(claims.joint),
        ("filling minus draining, clean (hysteresis)", _millimetres(claims.hysteresis_mm)),
        ("band", _band(claims.band)),
        *_power_on_rows(claims.power_on),
        ("below the top of the lowest pad", _zone(claims.by.get("zone", {}).get("lowest pad"))),
    ]
    return [(what, rate) for what, rate in rows if rate]


def _episodes(episodes: Episodes) -> str:
    if episodes is NOT_KEPT:
        return ""
    if not episodes.episodes:
        return "not enough evidence: no such episode was captured"
    return (
        f"{episodes.wrong} of {episodes.episodes} episodes ({episodes.frames} frames); at most "
        f"{percent(episodes.upper_bound_95):g} % of them (95 % confidence)"
    )


def _episodes_by(causes: Mapping[str, Episodes]) -> str:
    return "; ".join(
        f"{name} {row.wrong} of {row.episodes} episodes" for name, row in causes.items() if row.episodes
    )


def _joint_rows(joint: Joint | None) -> list[tuple[str, str]]:
    if joint is None:
        return []
    shares = (
        f"{name} {percent(share):g} %"
        for name, share in (
            ("level", joint.level_share),
            ("flags", joint.flags_share),
            ("validity", joint.validity_share),
            ("all", joint.all_share),
        )
    )
    goes = (
        f"{what}: {short(row.p95_mm):g} mm, {percent(row.withheld_share):g} % withheld"
        for what, row in (("right", joint.flags_right), ("wrong", joint.flags_wrong))
        if row.p95_mm is not None
    )
    return [
        ("right: level within 2 % of span, flags, validity, all of them", ", ".join(shares)),
        ("P95 where the flags are", "; ".join(goes)),
    ]


def _least(text: str, least: object) -> str:
    bound = percent(least)
    return f"{text}, worst group {bound:g} %" if text and bound is not None else text


def _share(share: object, of: str) -> str:
    per_cent = percent(share)
    return "" if per_cent is None else f"{per_cent:g} % {of}"


def _seconds(value: float | None) -> str:
    seconds = short(value)
    return "" if seconds is None else f"{seconds:g} s"


def _millimetres(value: object) -> str:
    millimetres = short(value)
    return "" if millimetres is None else f"{millimetres:+g} mm"


def _flag(rates: FlagRates | None, flag: str) -> str:
    if rates is None:
        return ""
    with_it = _share(rates.flagged_share, f"of {rates.frames_with} frames with {flag}")
    without = _share(rates.false_flag_share, f"of {rates.frames_without} frames without")
    return "; ".join(text for text in (with_it, without) if text)


def _band(band: BandFigures | None) -> str:
    if band is None:
        return ""
    covered = _share(band.covered_share, "of accepted readings have the label inside")
    return (
        f"{covered}, mean over groups, worst group {percent(band.worst_group_share):g} %; "
        f"mean width {short(band.width_mm):g} mm"
    )


def _power_on_rows(power_on: PowerOn | None) -> list[tuple[str, str]]:
    """The wait for a first reading, and what a restart leaves behind; starts without any reading are counted,
    not left out.
    """
    if power_on is None or not power_on.starts:
        return []
    waits = (("P50", power_on.wait_p50_s), ("P95", power_on.wait_p95_s), ("max", power_on.wait_max_s))
    known = [f"{name} {short(seconds):g} s" for name, seconds in waits if seconds is not None]
    text = f"{power_on.starts - power_on.withheld_anyway} power-ons tried"
    text += f": {', '.join(known)} after the first frame" if known else ""
    if power_on.wait_max_s is None:
        text += f"; in at least one there was no reading within {power_on.window_s:g} s"
    if power_on.withheld_anyway:
        text += f"; {power_on.withheld_anyway} more not counted: a chip left running withholds there too"
    rows = [("power-on at a random frame: first reading", text)]
    same, apart = percent(power_on.as_warm_share), short(power_on.apart_mm)
    if same is not None:
        far = "" if apart is None else f"; levels at most {apart:g} mm apart"
        rows.append(
            (
                f"readings {power_on.settling_frames} frames or more after power-on",
                f"{same:g} % equal those without the restart{far}",
            )
        )
    return [*rows, ("gaps in time: the model started anew", f"{power_on.restarts} in the judged sessions")]


def _zone(zone: ClassFigures | None) -> str:
    if zone is None:
        return ""
    p95 = short(zone.p95_mm)
    accepted = _share(zone.accepted_share, f"of {zone.frames} frames accepted")
    return "; ".join(text for text in ("" if p95 is None else f"P95 {p95:g} mm", accepted) if text)


_STUDY_COLUMNS = (
    "mean mm",
    "clean mm",
    "clean %",
    "foam mm",
    "film mm",
    "accepted %",
    "false wets",
    "within limits",
    "from %",
    "flash B",
    "cycles",
)


def study_columns(what: str) -> list[str]:
    """Columns of a study of 'trims' or 'features', units on their own line."""
    return [what, *(column.replace(" ", "\n") for column in _STUDY_COLUMNS)]


def study_rows(rows: Sequence[StudyRow]) -> list[Row]:
    """One row a variant: P95 by class and their mean, share given, false wets, limits, and what
    was measured.
    """
    return [_study_row(row) for row in rows]


def _study_row(row: StudyRow) -> Row:
    def p95(name: str) -> ShortErrors:
        return row.classes.get(name, _NO_ERRORS)

    cost = row.cost
    return (
        row.name,
        short(row.error_mm),
        short(p95("clean").p95_mm),
        short(p95("clean").p95_pct),
        short(p95("foam").p95_mm),
        short(p95("film").p95_mm),
        percent(p95("all").accepted_share),
        None if row.false_wet is None else row.false_wet.wrong,
        "refused" if row.refused else yes_or_no(row.within),
        row.good_from_pct,
        None if cost is None else cost.flash,
        None if cost is None else cost.cycles,
    )


_NO_ERRORS = ShortErrors(None, None, None)


def yes_or_no(holds: bool | None) -> str | None:
    """The word for it; None where nothing was asked."""
    return None if holds is None else "yes" if holds else "no"


def ablation_sentences(ablation: Ablation, *, limited: bool) -> list[str]:
    """How the rows of an ablation were made, and which trim the limits need where there are any."""
    how = (
        f"Each row is the chosen recipe fitted again on at most {ablation.fit_rows} frames in at most "
        f"{ablation.steps} steps, one thing changed"
    )
    claim = (
        ""
        if ablation.role == "prove"
        else "; these groups also set the thresholds, so that the rows can be told apart and claim nothing"
    )
    sentences = [f"{how}, and judged on the {ablation.role} groups{claim}"]
    if limited:
        needed = ablation.trims.needed
        sentences.append(
            "'from %' is the level, in % of the span, from which on clean liquid keeps its P95 "
            "limit in every tenth of the span"
        )
        sentences.append(
            "No trim that all units have keeps within the limits here"
            if needed is None
            else f"The least trim within the limits here is '{needed}'"
        )
    return sentences


def claim_sentence(group_by: str, metrics: Metrics) -> str:
    """What figures on bands of temperature are about, and how far it holds; empty for other groups, of which
    one never seen is one of many alike.
    """
    if group_by == GroupBy.BENCH:
        return (
            "These are benches not seen in fitting; units and liquids may be the same in both: nothing here "
            "speaks of a unit or a liquid never seen"
        )
    if group_by != GroupBy.TEMPERATURE:
        return ""
    groups = (
        "These are temperature bands not seen in fitting, chosen and not drawn; units, liquids and "
        "sessions may be the same in both: nothing here speaks of a unit or a liquid never seen, or of a "
        "share of further temperature bands"
    )
    seen = metrics.seen_in_prove_bands
    return (
        groups
        if seen is None
        else f"{groups}. A mark goes by its mean: of {seen.frames} frames to fit and choose on, "
        f"{seen.inside} were measured inside them"
    )


def never_raised_sentence(flag_table: Mapping[str, str]) -> str:
    """Which flags a model cannot raise; empty where it can raise any."""
    never = [flag for flag, what in flag_table.items() if what == NEVER_RAISED]
    return f"Not told from liquid by so few pads, and never flagged: {', '.join(never)}" if never else ""


def trim_gate_sentence(gate: TrimGate | None) -> str:
    """Which choose and calibrate units have swings that the model refuses; empty where it takes any."""
    if gate is None:
        return ""
    shares = [
        f"{len(gated.refused)} of {short(gated.units):g} {role} units"
        + (f" ({', '.join(gated.refused)})" if gated.refused else "")
        for role, gated in (("choose", gate.choose), ("calibrate", gate.calibrate))
        if gated is not None and gated.units
    ]
    if not shares:
        return ""
    return (
        "A unit is refused at start-up when a pad's swing, the second trim minus the first, lies outside "
        f"those of the fit units widened by the factor {short(gate.room):g}. Refused would be "
        + ", ".join(shares)
    )


def against_next_sentence(found: AgainstNext) -> str:
    """How the chosen candidate errs beside the next best, and how sure that is: group by group, which is
    another measure than the choose error over all of them.
    """
    more = "higher" if found.difference_mm > 0 else "lower"
    sure = found.low_mm > 0 or found.high_mm < 0
    return (
        f"Beside the next best, {found.name}, group by group: P95 is {abs(found.difference_mm):.2g} mm "
        f"{more} on average (95 % interval of the difference {found.low_mm:+.2g} to {found.high_mm:+.2g} mm, "
        f"{found.groups} groups): " + ("the two are told apart" if sure else "the two are not told apart")
    )


def candidate_rows(metrics: Metrics) -> list[Row]:
    """One row a candidate: its form (of pad arrays the layers of the level net), watcher, P95 by class on
    groups not fitted on and the error that candidates are compared by, accepted share of all frames,
    measured cost, the chance that the groups to prove keep the limits, and whether these are met.
    """
    return [_candidate(candidate, candidate == metrics.chosen) for candidate in metrics.candidates]


def _candidate(candidate: CandidateRow, chosen: bool) -> Row:
    classes, cost = candidate.classes or {}, candidate.cost
    p95 = [(classes.get(name) or (None, None))[0] for name in ("clean", "foam", "film")]
    known = [value for value in p95 if value is not None]
    accepted = percent((classes.get("all") or (None, None))[1])
    watcher = "-".join(str(n) for n in candidate.watcher or ()) + (
        " unrest" if "unrest" in (candidate.watched or ()) else ""
    )
    of_array = candidate.watcher is not None  # the nets are what they read: their error is the mean itself
    mean = (sum(known) / len(known) if known else None) if of_array else candidate.error_mm
    return (
        str(candidate.size) if of_array else f"{candidate.family} {candidate.size}",
        candidate.bits,
        watcher,
        short(mean),
        *(short(value) for value in p95),
        accepted,
        None if cost is None else cost.flash,
        None if cost is None else cost.cycles,
        percent(candidate.sure),
        "refused" if candidate.refused else yes_or_no(candidate.meets),
        "chosen" if chosen else "",
    )
