"""The report is one whole page that loads and runs nothing, says what was found, and shows users' words as
text.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from html import escape
from importlib.metadata import version
from typing import Any

import pytest
from reports import ARRAY, a_cost, read_page
from scipy.stats import beta

from dataset.records import GroupBy, Session, TrimKind
from export.bundle.build import build_bundle
from export.bundle.manifest import MANIFEST, Provenance, describe, model_facts
from export.report.html_page import page, shielded
from export.report.page import render_report
from training.judging.figures import AnsweredLimit
from training.models.features import GROUPS
from training.models.trimming import TRIMS
from training.program import Program
from training.search.array_recipes import ALL, MOVING, ArrayRecipe
from training.search.kept_recipe import INPUTS, TRIMS_TOLD, KeptBoard, KeptRecipe

_GROUP = {"group": "one", "level_mm": 1, "frames": 9, "accepted": 9, "beyond": 0, "rmse_mm": 1, "bias_mm": 0}


def test_report_is_whole_and_alone(small_bundle: dict[str, bytes]) -> None:
    """The page's tags close, it loads nothing and runs nothing, and it holds scores, limits, costs, a plot
    and the caution.
    """
    page = read_page(small_bundle["report.html"].decode())
    assert page.references == ["#caution"]
    assert not page.styled
    assert "script" not in page.tags
    assert page.plots == 1
    for said in (
        "not a protective control",
        "Scores",
        "0.81",
        "owner@3",
        "met",
        "Cost against budget small",
        "420",
        "below 28.3 %",
        "unit-1",
        "No error band is given",
    ):
        assert said in page.text, said


def _renamed(session: Session, name: str) -> Session:
    """The session with the same name for all that has one, as no registry would take it."""
    mounting = session.mounting
    mounting = replace(
        mounting,
        name=name,
        tank=replace(mounting.tank, name=name),
        sensor=replace(mounting.sensor, name=name),
    )
    unit, liquid, source = (
        replace(session.unit, name=name),
        replace(session.liquid, name=name),
        replace(session.source, file=name),
    )
    return replace(session, mounting=mounting, unit=unit, liquid=liquid, source=source)


def test_report_escapes_what_users_wrote(sample: Program, provenance: Provenance) -> None:
    """Names, notes and reasons appear as text, never as markup."""
    evil = '<script>alert("1")</script>&'
    metrics = {
        "why": evil,
        "band": {"given": False, "reason": evil},
        "candidates": [{"family": evil}],
        "limits": [AnsweredLimit(evil, evil, 1.0, None, 1, None, evil, evil).to_json()],
        "prove": {"by_group": [_GROUP | {"group": evil}]},
    }
    model = replace(provenance.model, name=evil, metrics=json.dumps(metrics))
    frozen = replace(
        model.frozen, name=evil, sessions=tuple(_renamed(s, evil) for s in model.frozen.sessions)
    )
    budget = replace(provenance.budget, name=evil)
    voided = ((frozen.sessions[0].id, evil),)
    facts = describe(
        sample,
        Provenance(version("innage"), replace(model, frozen=frozen), budget, provenance.cost, voided),
        "innage",
        64,
        0,
    )
    page = read_page(render_report(facts))
    assert "script" not in page.tags
    assert page.text.count(evil) >= 15


def test_report_tells_what_a_model_is_said_to_be(sample: Program, provenance: Provenance) -> None:
    """A retired one before anything else, as a caution; limits that are out of use; and nothing where nobody
    said anything.
    """
    facts = describe(sample, provenance, "innage", 64, 0)
    assert "retired" not in render_report(facts).lower()
    evil = "<b>reads foam"
    status = {"status": "retired", "author": "A. Bench", "reason": evil}
    page = render_report(facts | {"status": status, "remarks": ["limits owner@3: retired ('too wide')"]})
    assert "<p class=caution><strong>Retired</strong>, by A. Bench: &lt;b&gt;reads foam</p>" in page
    assert page.index("Retired") < page.index("<h2>")
    assert "limits owner@3: retired" in read_page(page).text
    candidate = render_report(facts | {"status": status | {"status": "candidate"}})
    assert "<p class=sub><strong>Candidate</strong>, by A. Bench" in candidate


def test_report_tells_computed_frames_from_measured_ones(sample: Program, provenance: Provenance) -> None:
    """Frames superposed from an earlier tank are counted beside the sessions of the set; the name of that
    tank's set is text.
    """
    recipe = {
        "family": "array net",
        "size": "8",
        "earlier": {"name": "<b>winter", "joined_sha256": "0" * 64},
        "superposed": {"frames": 160, "sessions": ["a", "b"], "response_of": ["c"], "weight": 0.5},
    }

    def text(kept: dict[str, Any]) -> str:
        model = replace(provenance.model, recipe=json.dumps(kept))
        given = Provenance(version("innage"), model, provenance.budget, provenance.cost, ())
        return read_page(render_report(describe(sample, given, "innage", 64, 0))).text

    told = "160 frames that were computed, not measured: 2 sessions of an earlier tank, frozen set <b>winter"
    assert told in text(recipe)
    del recipe["superposed"]
    assert "computed, not measured" not in text(recipe)
    assert "Fitted too on sessions of an earlier tank, frozen set <b>winter." in text(recipe)


BOARD = KeptBoard(16, 12, "rises", 100, 10, 120.0)
NETS = ArrayRecipe((16, 8), 16, (12, 6), (*ALL, "dispersion"), True, "full", MOVING, (16, 8))


def test_report_says_in_words_what_the_model_is_told(sample: Program, provenance: Provenance) -> None:
    """Counts, trims and what each net reads of them; of few pads the counts alone; a recipe that doesn't say
    leaves the section out, and a group of another version stands under its name, as text.
    """

    def text(kept: dict[str, Any]) -> str:
        model = replace(provenance.model, recipe=json.dumps(kept))
        given = Provenance(version("innage"), model, provenance.budget, provenance.cost, ())
        return read_page(render_report(describe(sample, given, "innage", 64, 0))).text

    kept = KeptRecipe(family="array net", size="16-8", bits=16)
    array = text(replace(kept, board=BOARD, array=NETS).to_json())
    pads = f"{INPUTS['shares']}; {INPUTS['ratios']}; {INPUTS['flow']}"
    for said in (
        "Inputs of a frame: a count of 12 channels, and its unit's dry and full trim.",
        f"The net for the level reads {pads}.",
        f"The net for the level under foam reads {pads}; {INPUTS['dispersion']}.",
        f"The nets for doubt, foam and film read {pads}; {INPUTS['unrest']}; {INPUTS['dispersion']}.",
    ):
        assert said in array, said
    one = replace(BOARD, channels=1)
    few = text(replace(kept, family="hinge", size=8, board=one, families=("hinge",)).to_json())
    assert "Inputs of a frame: a count of 1 channel, and no trim." in few
    assert "told by" not in few
    assert "Inputs" not in text(kept.to_json())
    later = text(replace(kept, board=BOARD, array=replace(NETS, level_groups=("<b>new",))).to_json())
    assert "The net for the level reads <b>new." in later


def test_every_group_of_features_and_every_trim_has_its_words() -> None:
    assert set(INPUTS) == set(GROUPS)
    assert set(TRIMS_TOLD) == set(TRIMS)
    for name, kinds in TRIMS.items():
        assert [str(kind) for kind in TrimKind if f" {kind} " in TRIMS_TOLD[name]] == [
            str(kind) for kind in TrimKind if kind in kinds
        ]


@pytest.mark.parametrize(
    "metrics",
    [
        {},
        {"prove": None, "random_rows": None, "limits": [], "candidates": None},
        {"prove": {"integer": {"rmse_mm": None}, "by_group": [{}, None, 3]}},
        {"prove": [], "limits": "none", "band": 3, "openings": "x"},
        {"candidates": [{"choose": None, "cost": None, "meets": None}]},
        {"prove": {"by_group": [_GROUP | {"rmse_mm": 0}]}},
    ],
)
def test_report_of_missing_metrics(sample: Program, provenance: Provenance, metrics: dict[str, Any]) -> None:
    """What is missing among the metrics is left out; the page stays whole."""
    facts = describe(
        sample,
        replace(provenance, model=replace(provenance.model, metrics=json.dumps(metrics)), cost=None),
        "innage",
        64,
        0,
    )
    page = read_page(render_report(facts))
    assert "not a protective control" in page.text
    assert "None" not in page.text


def test_the_chosen_candidate_is_marked_and_scores_that_are_not_kept_are_left_out(
    sample: Program, provenance: Provenance
) -> None:
    """By family, size and bits; a column of scores that hold nothing is none."""
    rows = [{"family": "line", "size": size, "bits": bits} for size, bits in ((1, 8), (2, 8), (2, 16))]
    metrics = {"candidates": rows, "chosen": rows[1], "prove": {"integer": {"rmse_mm": 0.5}}}
    model = replace(provenance.model, metrics=json.dumps(metrics))
    page = render_report(describe(sample, replace(provenance, model=model), "innage", 64, 0))
    tried = page.partition("What was tried")[2].partition("</table>")[0]
    assert re.findall("<strong>(.*?)</strong>", tried) == ["line 2, 8 bits"]
    head = page.partition("<h2>Scores</h2>")[2].partition("</thead>")[0]
    assert re.findall(r"<th(?: class=\w+)?>(.*?)</th>", head) == ["", "Integer (what the chip computes)"]


def test_report_names_void_sessions(samples: dict[str, Program], request: pytest.FixtureRequest) -> None:
    """A session voided after training stands on the page and in the manifest, with its reason."""
    program = samples["constant"]
    provenance = request.getfixturevalue("provenance_for")(program, "the scale was not zeroed")
    made = build_bundle(program, provenance.model.float_onnx, provenance, vectors=64)
    assert "the scale was not zeroed" in read_page(made["report.html"].decode()).text
    assert json.loads(made[MANIFEST])["sessions"][0]["void"] == "the scale was not zeroed"


def test_a_models_page_says_cost_and_score_without_an_export(
    samples: dict[str, Program], provenance_for: Any
) -> None:
    """What training measured of the candidate, or that nobody did; and that no score was made, whose it is,
    or of which vectors.
    """
    program = samples["constant"]
    model = provenance_for(program).model

    def text(chosen: dict[str, Any], more: dict[str, Any]) -> str:
        metrics = json.loads(model.metrics) | {"chosen": chosen}
        facts = model_facts(program, replace(model, metrics=json.dumps(metrics)), None, None, {})
        return read_page(render_report(facts | more)).text

    without = text({"family": "hinge"}, {})
    assert "Not measured in training. With a budget" in without
    assert "Not measured here. An export measures" in without
    with_cost = text({"family": "hinge", "cost": a_cost(1777, 4555)}, {"score": SCORE, "score_of": 64 * "a"})
    assert "flash bytes1\u202f777" in with_cost
    assert "cycles of step4\u202f5554\u202f555" in with_cost
    assert "on an emulated cortex-m0plus" in with_cost
    assert "It is that of bundle aaaaaaaaaaaa, which this store keeps" in with_cost
    assert "drawn from the program alone" in text({}, {"score": SCORE})


SCORE: dict[str, Any] = {
    "tried": 20,
    "breaks": 20,
    "seed": 0,
    "frames": 50_000,
    "lines": [
        {
            "evidence": "vectors",
            "of": "breaks",
            "noticed": 19,
            "counting": 20,
            "lower_bound": 0.78,
            "goal": 0.99,
        }
    ],
    "unseen": {"vectors": ["sign of level"], "self-test": []},
}


def test_report_says_what_temperature_bands_claim(sample: Program, provenance: Provenance) -> None:
    """The claim by its name and what it is not; no rate of further bands. A set of other groups keeps the
    bound on faulty groups.
    """
    frozen = replace(provenance.model.frozen, group_by=GroupBy.TEMPERATURE, edges_c=(5.0, 15.0, 25.0))
    facts = [
        describe(sample, replace(provenance, model=replace(provenance.model, frozen=its)), "innage", 64, 0)
        for its in (frozen, provenance.model.frozen)
    ]
    bands, levels = (read_page(render_report(its)).text for its in facts)
    assert (
        "9 temperature bands. These are temperature bands not seen in fitting, chosen and not drawn" in bands
    )
    assert (
        "units, liquids and sessions may be the same in both: nothing here speaks of a unit or "
        "a liquid never seen" in bands
    )
    assert "grouped by temperature: 1 fit, 1 prove" in bands
    assert ("rate of faulty ones" in bands, "rate of faulty ones" in levels) == (False, True)


def test_report_bounds_the_rate_of_wrong_groups_exactly(sample: Program, provenance: Provenance) -> None:
    """None wrong of 9 groups: the one-sided 95 % bound of Clopper and Pearson (Biometrika 26 (1934) 404) as
    scipy's Beta law has it; 3/n would say 33 %.
    """
    bound = 100 * float(beta.ppf(0.95, 1, 9))
    assert bound == pytest.approx(28.3, abs=0.05)
    text = read_page(render_report(describe(sample, provenance, "innage", 64, 0))).text
    only = f"9 fault-free levels only prove a rate of faulty ones below {bound:.3g} % (95 % confidence)"
    assert f"{only}; 59 are needed to prove 5 %" in text
    assert beta.ppf(0.95, 1, 59) <= 0.05 < beta.ppf(0.95, 1, 58)


def test_manifest_has_the_edges_of_temperature_bands(sample: Program, provenance: Provenance) -> None:
    frozen = replace(provenance.model.frozen, group_by=GroupBy.TEMPERATURE, edges_c=(5.0, 15.0, 25.0))
    facts = [
        describe(sample, replace(provenance, model=replace(provenance.model, frozen=its)), "innage", 64, 0)
        for its in (frozen, provenance.model.frozen)
    ]
    assert [its["frozen_set"].get("edges_c") for its in facts] == [[5.0, 15.0, 25.0], None]


def test_report_names_what_it_was_made_with(sample: Program, provenance: Provenance) -> None:
    """The versions behind training and export stand on the page as they are installed."""
    text = read_page(render_report(describe(sample, provenance, "innage", 64, 0))).text
    trained, _, exported = text.partition("Trained with")[2].partition("Exported with")
    assert f"numpy {version('numpy')}" in trained
    assert f"ziglang {version('ziglang')}" in exported


# --- what others wrote ---

SAID_OF_ODD = ("small", "ul", "li")  # an origin beside the heading; sessions that are void
HOSTILE = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>&"


def _leaves(body: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value that is no object or list."""
    if isinstance(body, dict | list):
        items = list(body.items() if isinstance(body, dict) else enumerate(body))
        return [leaf for key, value in items for leaf in _leaves(value, (*path, key))]
    return [path]


def _replaced(body: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    copy = body.copy()
    copy[path[0]] = _replaced(body[path[0]], path[1:], value)
    return copy


def _renamed_key(body: Any, path: tuple[Any, ...]) -> Any:
    """The body with a hostile key behind that at ``path``."""
    if len(path) > 1:
        copy = body.copy()
        copy[path[0]] = _renamed_key(body[path[0]], path[1:])
        return copy
    if not isinstance(body, dict):
        return body
    return {(f"{key}{HOSTILE}" if key == path[0] else key): value for key, value in body.items()}


def tags_of(page: str) -> set[str]:
    """Whatever may begin a tag (WHATWG HTML, 13.2.5.6: a letter behind the angle bracket)."""
    return {name.lower() for name in re.findall(r"<([a-zA-Z][^\s/>]*)", page)}


@pytest.mark.longer
@pytest.mark.parametrize("metrics", [None, ARRAY], ids=["single", "array"])
def test_no_entry_becomes_markup(
    samples: dict[str, Program], provenance_for: Callable[..., Provenance], metrics: dict[str, Any] | None
) -> None:
    """Markup in place of any value or key of a manifest stays text, or there is no page: no tag that an
    honest page doesn't have.
    """
    its = provenance_for(samples["constant"], "void" if metrics is None else None)
    if metrics is not None:
        its = replace(its, model=replace(its.model, metrics=json.dumps(metrics)))
    facts = json.loads(json.dumps(describe(samples["constant"], its, "innage", 64, 0)))
    page = render_report(facts)
    honest = {*read_page(page).tags}
    assert tags_of(page) == honest
    rendered = 0
    for path in _leaves(facts):
        for changed in (_replaced(facts, path, HOSTILE), _renamed_key(facts, path)):
            try:
                text = render_report(changed)
            except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError):
                continue
            rendered += 1
            assert "<script" not in text, path
            assert "<img" not in text, path
            assert tags_of(text) <= {*honest, *SAID_OF_ODD}, path
    assert rendered > 100


def test_every_page_forbids_what_it_does_not_need() -> None:
    """The policy stands before anything that could be loaded: nothing from anywhere, no script; styles and
    pictures that stand in the page itself. Source: Content Security Policy Level 3, W3C, sections 3.3 and 6.
    """
    text = page("a title", ["<p>text</p>"])
    policy = re.search(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">', text)
    assert policy is not None
    assert policy.start() < text.index("<style>")
    rules = dict(rule.strip().split(" ", 1) for rule in policy[1].split(";"))
    assert rules == {
        "default-src": "'none'",
        "style-src": "'unsafe-inline'",
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_shields_don_t_reach_the_page() -> None:
    """Every character comes out as it went in, or as its entity; what would undo a shield is no text."""
    text = "a & b < c > d \"e\" 'f' g"
    assert page("t", [shielded(text)]).count(escape(text)) == 1
    nested = {"k<": [1, None, "x>", ("y&",)]}
    assert shielded(nested) == {shielded("k<"): [1, None, shielded("x>"), [shielded("y&")]]}
    assert "\ufffdb\ufffd" in page("t", [shielded("\ue001b\ue002")])
