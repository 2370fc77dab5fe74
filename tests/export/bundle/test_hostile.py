"""Bundles made to harm whoever verifies them: nothing of theirs is run, and none takes much time or
memory.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import onnx
import pytest
from onnx import TensorProto, helper

from dataset.errors import InputError
from export.bundle.checks import Bundle
from export.bundle.manifest import MANIFEST, seal
from export.bundle.packing import pack, unpack
from export.bundle.verify import verify_bundle, verify_files
from export.report.page import render_report

Files = Mapping[str, bytes]
FIRST_BUNDLE = Path(__file__).parents[2] / "data" / "bundles" / "format2.zip"


# --- C that does something of its own when it is started ---


@pytest.fixture
def with_constructor(
    whole_bundle: Files, resealed: Callable[..., dict[str, bytes]], tmp_path: Path
) -> Callable[[str], tuple[dict[str, bytes], Path]]:
    """The bundle with a function in one of its files that runs before main and writes a file, hashes made to
    fit; and where it would write.
    """

    def append(name: str) -> tuple[dict[str, bytes], Path]:
        trace = tmp_path / "it-ran"
        code = f"""
#if !defined(__arm__) && !defined(HIDDEN)
#define HIDDEN
#include <stdio.h>
__attribute__((constructor)) static void hidden(void)
{{
    FILE *file = fopen("{trace}", "w");
    if (file != NULL) {{ (void)fclose(file); }}
}}
#endif
"""
        return resealed({**whole_bundle, name: whole_bundle[name] + code.encode()}), trace

    return append


@pytest.mark.parametrize("name", ["innage.c", "innage.h"])
def test_c_of_a_bundle_is_never_run(
    with_constructor: Callable[[str], tuple[dict[str, bytes], Path]], tmp_path: Path, name: str
) -> None:
    """From a folder and from a zip file: C with a function that starts by itself fails every check that
    compiles C, with the line named, and has not run.
    """
    files, trace = with_constructor(name)
    folder, archive = tmp_path / "bundle", tmp_path / "bundle.zip"
    folder.mkdir()
    for file, content in files.items():
        (folder / file).write_bytes(content)
    archive.write_bytes(pack(files))
    compiling = {"C on the core", "C on this host", "C, checked"}
    for place in (folder, archive):
        report = verify_bundle(place)
        assert not trace.exists()
        said = {check.name: check.sentence for check in report.checks if not check.passed}
        assert set(said) == {"made again", *compiling}
        assert all(f"{name} differs from line " in said[check] for check in compiling)


def test_a_bundle_gives_out_no_c_but_what_is_made_here(
    whole_bundle: Files, with_constructor: Callable[[str], tuple[dict[str, bytes], Path]]
) -> None:
    """What measures and compiles the C of a bundle gets the one made from its program, and nothing where the
    bundle's is another.
    """
    assert Bundle(whole_bundle).source.source.encode() == whole_bundle["innage.c"]
    with pytest.raises(InputError, match="neither compiled nor run"):
        _ = Bundle(with_constructor("innage.c")[0]).source


# --- what takes time or memory without an end ---

# Verifies the bundles that it is told of, each within 60 s of processor time, and says for each: exit code,
# what was printed, and how much memory was taken at most until then, in KiB. The limit of memory only guards
# this computer: the emulator reserves more than it uses.
LIMITED = """
import contextlib, io, json, resource, sys
from innage.cli import main
resource.setrlimit(resource.RLIMIT_DATA, (3 * 2**30, 3 * 2**30))
for line in sys.stdin:
    used = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
    resource.setrlimit(resource.RLIMIT_CPU, (int(used) + 60, resource.RLIM_INFINITY))
    sys.argv = ["innage", "verify", "--json", line.strip()]
    code, out, err = 0, io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main()
        except SystemExit as ended:
            code = ended.code
    most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(json.dumps([code, out.getvalue(), err.getvalue(), most]), flush=True)
"""
MOST_KIB = 2**20


@pytest.fixture(scope="module")
def limited() -> Iterator[subprocess.Popen[str]]:
    """A process that verifies within limits; one for all, since starting takes longer than refusing."""
    command = [sys.executable, "-P", "-c", LIMITED]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield process


@pytest.fixture
def verified(limited: subprocess.Popen[str], tmp_path: Path) -> Callable[[Files], tuple[int, dict[str, str]]]:
    """Verifies a bundle within 60 s and one gibibyte: the exit code, and the sentences of the checks that do
    not pass.

    Fails where the verification ends in a traceback, or is ended by the limits.
    """

    def run(files: Files) -> tuple[int, dict[str, str]]:
        archive = tmp_path / "bundle.zip"
        archive.write_bytes(pack(files))
        assert limited.stdin is not None
        assert limited.stdout is not None
        limited.stdin.write(f"{archive}\n")
        limited.stdin.flush()
        answer = limited.stdout.readline()
        assert answer, "ended by the limits"
        code, out, err, most = json.loads(answer)
        assert code in (0, 1, 3), err[-2000:]
        assert most < MOST_KIB
        return code, {c["name"]: c["sentence"] for c in json.loads(out)["checks"] if not c["passed"]}

    return run


def test_the_limits_let_an_honest_bundle_pass(
    whole_bundle: Files, verified: Callable[[Files], tuple[int, dict[str, str]]]
) -> None:
    """Within them an exported bundle is verified whole."""
    assert verified(whole_bundle) == (0, {})


def changed_program(files: Files, change: Callable[[dict[str, Any]], None]) -> dict[str, bytes]:
    """The bundle with another program.json, in canonical form; manifest and digest are made to fit by
    ``resealed``.
    """
    body = json.loads(files["program.json"])
    change(body)
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"
    return {**files, "program.json": text.encode()}


def wide_state(body: dict[str, Any], many: int = 300_000) -> None:
    """A state of many values."""
    body["states"][0] |= {"initial": [0] * many, "low": [0] * many, "high": [1] * many}


def wider_state(body: dict[str, Any]) -> None:
    """A state of a million values."""
    wide_state(body, 1_000_000)


def doubled(body: dict[str, Any]) -> None:
    """Forty rows, each the one before twice: a thousand thousand million values."""
    shape = {"attributes": {}, "scale": "", "low": [0], "high": [0], "op": "concat"}
    for k in range(40):
        before = "counts" if k == 0 else f"twice{k - 1}"
        body["step"].append(shape | {"name": f"twice{k}", "inputs": [before, before]})


def shared_children(body: dict[str, Any]) -> None:
    """Trees whose branches meet again, so that there are millions of ways down, from a thousand roots."""
    nodes, deep = 64, 32
    forest = next(node for node in body["step"] if node["op"] == "trees")
    forest["attributes"] = {
        "roots": [0] * 1000,
        "feature": [0] * nodes,
        "threshold": [2**31 - 1] * nodes,
        "child": [min(k + 1, nodes - 2) if k < deep else k for k in range(nodes)],
        "value": [0] * nodes,
        "depth": 32,
    }


def many_nodes(body: dict[str, Any]) -> None:
    """Twenty thousand operations."""
    shape = {"attributes": {}, "scale": "", "low": [0], "high": [4095], "op": "max"}
    for k in range(20_000):
        before = "counts" if k == 0 else f"more{k - 1}"
        body["step"].append(shape | {"name": f"more{k}", "inputs": [before, before]})


def long_note(body: dict[str, Any]) -> None:
    """A note of three million letters, which stand in the comments of the C."""
    body["notes"]["tank"] = "x" * 3_000_000


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (wide_state, "300001 values; expected at most 1024"),
        (wider_state, "characters; expected at most 4000000"),
        (doubled, "numbers to look at; expected at most"),
        (many_nodes, "numbers to look at; expected at most"),
        (long_note, "expected text of at most 4000 characters"),
    ],
)
def test_programs_without_measure_are_refused(
    whole_bundle: Files,
    resealed: Callable[..., dict[str, bytes]],
    verified: Callable[[Files], tuple[int, dict[str, str]]],
    change: Callable[[dict[str, Any]], None],
    said: str,
) -> None:
    """A program larger than any that fits a chip is refused before it is computed with."""
    files = resealed(changed_program(whole_bundle, change))
    code, answers = verified(files)
    assert code == 1
    assert said in answers["program"]


def test_a_forest_is_walked_once_a_node(
    whole_bundle: Files,
    resealed: Callable[..., dict[str, bytes]],
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """Branches that meet again don't multiply the analysis: the forest is judged, not walked for ever."""
    code, answers = verified(resealed(changed_program(whole_bundle, shared_children)))
    assert code == 1
    assert "ranges that do not follow from the tables" in answers["program"]


@pytest.mark.parametrize(
    ("vectors", "said"),
    [
        ({"count": 10_000_000, "seed": 0}, "manifest.json, vectors, count: 10000000; expected"),
        ({"count": 10_000, "seed": 2**70}, "a whole number of 22 digits"),
        ({"count": 10_000, "seed": 2**60}, "manifest.json, vectors, seed: 1152921504606846976; expected"),
    ],
)
def test_vectors_and_seeds_have_an_end(
    whole_bundle: Files,
    resealed: Callable[..., dict[str, bytes]],
    verified: Callable[[Files], tuple[int, dict[str, str]]],
    vectors: dict[str, int],
    said: str,
) -> None:
    """Ten million vectors, and seeds that no generator takes, are refused in the manifest."""
    code, answers = verified(resealed(whole_bundle, vectors=vectors))
    assert code == 1
    assert said in answers["manifest"]


def test_long_vectors_are_not_read(
    whole_bundle: Files,
    resealed: Callable[..., dict[str, bytes]],
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """A file of many more vectors than an export has, and one of a single endless stream, are refused."""
    lines = whole_bundle["vectors.csv"].decode().splitlines(keepends=True)
    many = "".join([*lines[:2], *lines[2:] * 30]).encode()
    code, answers = verified(resealed({**whole_bundle, "vectors.csv": many}))
    assert code == 1
    assert "lines; expected at most" in answers["vectors"]
    endless = "".join(["# stream_frames=10010\n", *lines[1:]]).encode()
    code, answers = verified(resealed({**whole_bundle, "vectors.csv": endless}))
    assert code == 1
    assert "'# stream_frames=10010'; expected" in answers["vectors"]


# --- ONNX that does more than add and multiply ---


def ends(width: int) -> tuple[list[onnx.ValueInfoProto], list[onnx.ValueInfoProto]]:
    """Inputs and outputs of a float model of counts."""
    return (
        [helper.make_tensor_value_info("counts", TensorProto.FLOAT, [None, width])],
        [helper.make_tensor_value_info("level_mm", TensorProto.FLOAT, [None, 1])],
    )


def model_of(
    nodes: list[onnx.NodeProto], tables: list[onnx.TensorProto] | None = None, width: int = 4, **more: Any
) -> bytes:
    """A serialised model of these nodes, from counts to a level."""
    graph = helper.make_graph(nodes, "float", *ends(width), tables or [])
    opsets = [helper.make_opsetid("", 18), *more.pop("opsets", [])]
    made = helper.make_model(graph, opset_imports=opsets, ir_version=8, **more)
    return bytes(made.SerializeToString(deterministic=True))


def endless_loop() -> bytes:
    """A Loop whose condition never becomes false, 2^63 - 1 times."""
    body = helper.make_graph(
        [helper.make_node("Identity", ["go"], ["on"]), helper.make_node("Identity", ["x"], ["y"])],
        "body",
        [
            helper.make_tensor_value_info("turn", TensorProto.INT64, []),
            helper.make_tensor_value_info("go", TensorProto.BOOL, []),
            helper.make_tensor_value_info("x", TensorProto.FLOAT, [None, 4]),
        ],
        [
            helper.make_tensor_value_info("on", TensorProto.BOOL, []),
            helper.make_tensor_value_info("y", TensorProto.FLOAT, [None, 4]),
        ],
    )
    tables = [
        helper.make_tensor("turns", TensorProto.INT64, [], [2**63 - 1]),
        helper.make_tensor("start", TensorProto.BOOL, [], [True]),
        helper.make_tensor("weights", TensorProto.FLOAT, [4, 1], [0.001] * 4),
    ]
    nodes = [
        helper.make_node("Loop", ["turns", "start", "counts"], ["last"], body=body),
        helper.make_node("MatMul", ["last", "weights"], ["level_mm"]),
    ]
    return model_of(nodes, tables)


def external_data() -> bytes:
    """Weights that stand in a file of the computer on which it is loaded."""
    weights = TensorProto(name="weights", data_type=TensorProto.FLOAT, dims=[4, 1])
    weights.data_location = TensorProto.EXTERNAL
    for key, value in (("location", "hosts"), ("offset", "0"), ("length", "16")):
        weights.external_data.add(key=key, value=value)
    return model_of([helper.make_node("MatMul", ["counts", "weights"], ["level_mm"])], [weights])


def growing() -> bytes:
    """Rows that double forty times."""
    nodes = [
        helper.make_node("Concat", [name, name], [f"x{k}"], axis=1)
        for k, name in enumerate(["counts", *(f"x{k}" for k in range(39))])
    ]
    nodes.append(helper.make_node("ReduceMax", ["x39", "axes"], ["level_mm"], keepdims=1))
    return model_of(nodes, [helper.make_tensor("axes", TensorProto.INT64, [1], [1])])


def crossed() -> bytes:
    """Every row of the batch with every other one."""
    tables = [
        helper.make_tensor("front", TensorProto.INT64, [1], [0]),
        helper.make_tensor("middle", TensorProto.INT64, [1], [1]),
        helper.make_tensor("axes", TensorProto.INT64, [2], [0, 2]),
    ]
    nodes = [
        helper.make_node("Unsqueeze", ["counts", "front"], ["a"]),
        helper.make_node("Unsqueeze", ["counts", "middle"], ["b"]),
        helper.make_node("Add", ["a", "b"], ["c"]),
        helper.make_node("ReduceMax", ["c", "axes"], ["level_mm"], keepdims=1),
    ]
    return model_of(nodes, tables)


def functions() -> bytes:
    """An operator that the model defines itself."""
    own = helper.make_function(
        "own", "Abs", ["x"], ["y"], [helper.make_node("Neg", ["x"], ["y"])], [helper.make_opsetid("", 18)]
    )
    node = helper.make_node("Abs", ["counts"], ["level_mm"], domain="own")
    return model_of([node], width=1, functions=[own], opsets=[helper.make_opsetid("own", 1)])


def other_domain() -> bytes:
    """An operator of somebody else's."""
    node = helper.make_node("Abs", ["counts"], ["level_mm"], domain="com.example")
    return model_of([node], width=1, opsets=[helper.make_opsetid("com.example", 1)])


def circle() -> bytes:
    """A tree whose branch leads back to its root."""
    node = helper.make_node(
        "TreeEnsembleRegressor",
        ["counts"],
        ["level_mm"],
        domain="ai.onnx.ml",
        n_targets=1,
        nodes_treeids=[0, 0, 0],
        nodes_nodeids=[0, 1, 2],
        nodes_featureids=[0, 0, 0],
        nodes_modes=["BRANCH_LEQ", "BRANCH_LEQ", "LEAF"],
        nodes_values=[1.0, 2.0, 0.0],
        nodes_truenodeids=[1, 0, 0],
        nodes_falsenodeids=[2, 2, 0],
        target_treeids=[0],
        target_nodeids=[2],
        target_ids=[0],
        target_weights=[1.0],
    )
    return model_of([node], opsets=[helper.make_opsetid("ai.onnx.ml", 3)])


def open_width() -> bytes:
    """A table that says it has a thousand million numbers and holds none of them."""
    weights = TensorProto(
        name="weights", data_type=TensorProto.FLOAT, dims=[4, 250_000_000], raw_data=b"1234"
    )
    return model_of([helper.make_node("MatMul", ["counts", "weights"], ["level_mm"])], [weights])


GRAPHS: dict[str, tuple[Callable[[], bytes], str]] = {
    "loop": (endless_loop, "operator 'Loop'; expected operators of Abs"),
    "external data": (external_data, "a table that stands in another file"),
    "growing": (growing, "a value of 1024x4096"),
    "crossed": (crossed, "a value of 1024x1024x4"),
    "functions": (functions, "functions of its own"),
    "domain": (other_domain, "opset 'com.example' 1; expected the opsets that are emitted"),
    "circle": (circle, "node 0 of a tree under node 1"),
    "empty table": (open_width, "a table of 1000000000 numbers that holds 1"),
}


@pytest.mark.parametrize("name", GRAPHS)
def test_no_graph_off_the_list_is_loaded(
    whole_bundle: Files,
    resealed: Callable[..., dict[str, bytes]],
    failed: Callable[..., dict[str, str]],
    monkeypatch: pytest.MonkeyPatch,
    name: str,
) -> None:
    """As the float model, and as the integer one of another version: refused with what was found, and no
    runtime has seen it.
    """
    seen: list[bytes] = []
    for loading in ("in_onnxruntime", "in_reference"):
        monkeypatch.setattr(f"export.bundle.checks_onnx.{loading}", seen.append)
    monkeypatch.setattr("export.onnx.run.onnxruntime_session", seen.append)
    make, said = GRAPHS[name]
    files = resealed({**whole_bundle, "innage_float.onnx": make()})
    assert said in failed(files, {"float ONNX"})["float ONNX"]
    tools = json.loads(whole_bundle[MANIFEST])["tools"] | {"onnx": "0.0.9"}
    integer = resealed({**whole_bundle, "innage.onnx": make()}, tools=tools)
    answers = failed(integer, {"ONNX, onnxruntime", "ONNX, reference"})
    assert set(answers) == {"ONNX, onnxruntime", "ONNX, reference"}
    assert all("it is not loaded" in sentence.lower() for sentence in answers.values())
    assert seen == []


def test_a_loop_without_end_ends(
    whole_bundle: Files,
    resealed: Callable[..., dict[str, bytes]],
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """Within the limits of time and memory, an endless Loop fails one check."""
    code, answers = verified(resealed({**whole_bundle, "innage_float.onnx": endless_loop()}))
    assert (code, set(answers)) == (1, {"float ONNX"})


# --- entries of another kind ---

ODD: tuple[Any, ...] = (
    None,
    True,
    [],
    {},
    "<script>alert(1)</script>",
    "NaN",
    -1,
    10**18,
    10**400,
    1.5,
    float("nan"),
    [[[[[]]]]],
    {"a": {"b": [1, None]}},
)


def leaves(body: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """The path of every value that is no object or list, and of every empty one."""
    children: list[tuple[Any, Any]] = []
    if isinstance(body, dict):
        children = list(body.items())
    elif isinstance(body, list):
        children = list(enumerate(body))
    if not children:
        yield path
    for key, value in children:
        yield from leaves(value, (*path, key))


def replaced(body: Any, path: tuple[str | int, ...], value: Any) -> Any:
    """The body with another value at ``path``."""
    if not path:
        return value
    copy = body.copy()
    copy[path[0]] = replaced(body[path[0]], path[1:], value)
    return copy


RUNNING_NOTHING = {"manifest", "files", "program", "made again", "figures"}


@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_odd_entries_of_a_manifest_are_answered(whole_bundle: Files, every: bool) -> None:
    """Each entry of the manifest, replaced by each odd value (every day by one, in turns), and sealed with
    the report that follows: a sentence and no traceback; what is still accepted renders no markup of its own.
    """
    body = json.loads(whole_bundle[MANIFEST])
    rest = {name: content for name, content in whole_bundle.items() if name != MANIFEST}
    accepted = 0
    for k, path in enumerate(leaves(body)):
        for odd in ODD if every else ODD[k % len(ODD) :][:1]:
            changed = replaced(body, path, odd)
            files = dict(rest)
            try:
                files["report.html"] = render_report(changed).encode()
            except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError):
                pass  # no page: the one that is there will differ
            else:
                assert b"<script" not in files["report.html"], path
            try:
                sealed = seal(changed, files)
            except AttributeError:  # a list of files that is none
                sealed = json.dumps(changed).encode()
            report = verify_files({**files, MANIFEST: sealed}, RUNNING_NOTHING)
            accepted += report.passed
    assert accepted > 0  # figures and names are anybody's to state


def test_odd_entries_of_a_program_are_refused(
    whole_bundle: Files, failed: Callable[..., dict[str, str]]
) -> None:
    """Each entry of program.json, replaced by an odd value: a sentence, whatever the entry."""
    body = json.loads(whole_bundle["program.json"])
    for k, path in enumerate(leaves(body)):
        for odd in {k: ODD[k % len(ODD)], -1: ODD[(k // len(ODD)) % len(ODD)]}.values():
            changed = replaced(body, path, odd)
            if changed == body and type(odd) is not bool:
                continue
            text = json.dumps(changed, sort_keys=True, separators=(",", ":")) + "\n"
            answers = failed({**whole_bundle, "program.json": text.encode()}, {"program"})
            assert set(answers) == {"program"}, (path, odd)


def test_figures_nest_no_deeper_than_figures_do(
    whole_bundle: Files, resealed: Callable[..., dict[str, bytes]], failed: Callable[..., dict[str, str]]
) -> None:
    """Thirty lists in one another among the figures are refused, whatever hashes were made to fit."""
    nested: list[Any] = []
    for _ in range(30):
        nested = [nested]
    metrics = json.loads(whole_bundle[MANIFEST])["metrics"] | {"nested": nested}
    assert "nested too deep" in failed(resealed(whole_bundle, metrics=metrics), {"manifest"})["manifest"]


@pytest.mark.parametrize("deep", [1000, 100_000])
def test_deep_nesting_is_refused(
    whole_bundle: Files, verified: Callable[[Files], tuple[int, dict[str, str]]], deep: int
) -> None:
    """Lists in lists in place of a manifest or a program end in a sentence."""
    nested = b"[" * deep + b"]" * deep
    for name, check in ((MANIFEST, "manifest"), ("program.json", "program")):
        code, answers = verified({**whole_bundle, name: nested})
        assert code == 1
        assert check in answers


# --- bundles of before ---


def test_a_bundle_of_the_first_version_lacks_evidence(
    verified: Callable[[Files], tuple[int, dict[str, str]]],
) -> None:
    """What 0.1 wrote is no forgery: program, vectors and ONNX are checked, its C is not run, exit code 3."""
    files = unpack(FIRST_BUNDLE.read_bytes(), FIRST_BUNDLE.name)
    code, answers = verified(files)
    assert code == 3
    assert set(answers) == {"made again", "C on the core", "C on this host", "C, checked"}
    assert answers["C on this host"] == "not run: written by innage 0.1"
    changed = {**files, "vectors.csv": files["vectors.csv"].replace(b"\n0,", b"\n0,1", 1)}
    code, answers = verified(changed)
    assert code == 1
    assert {"files", "vectors"} <= set(answers)
    broken = {**files, MANIFEST: files[MANIFEST].replace(b'"frames": 400', b'"frames": 401')}
    code, answers = verified(broken)
    assert code == 1
    assert "its hash manifest_sha256 is " in answers["manifest"]
