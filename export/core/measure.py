"""What a program costs on a core: its C compiled, linked and run on the emulated core, and bounded by its
disassembly.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from dataset.records import Budget
from dataset.words import counted
from export.c.extras import FRAME_SELFTEST, INTERFACES, LEANEST, PLAIN_EXTRAS, SELFTEST, Extras
from export.c.kernels import TIERS
from export.c.source import CSource, emit_c
from export.compilers.core_build import Compiled, compile_model, compiler_name, link_model
from export.compilers.image import FUNCTIONS, Image
from export.core.bounds import Bound, Bounds
from export.core.emulator import Machine
from export.core.flow import NotFollowed
from export.core.timing import Timing
from export.cores import Core, find_core
from export.evidence.drawing import make_vectors
from export.vectors import Vectors
from export.volume import VolumeTable
from training.costs import Cost, judged
from training.program import Program, digest

MEASURED = 256  # vectors that a program is measured on
SLICES = (
    64,
    32,
    16,
    8,
    4,
    2,
    1,
)  # bytes of the tables, of which the largest is taken that a frame has room for
_WATCHED_SLICES = 4  # of one size; all but the last of the tables are alike
_SMALL_SLICE = 4  # bytes, so that a piece of the known answer is dearer


@dataclass(frozen=True)
class _Keyed:
    """A program that equals every other one of its digest."""

    digest: str
    program: Program = field(compare=False)


def measure(
    program: Program,
    budget: Budget,
    optimise: str = "size",
    kernels: str = "small",
    assembly: bool = False,
    volume: VolumeTable | None = None,
    extras: Extras = PLAIN_EXTRAS,
) -> Cost:
    """The cost of ``program`` on the core of ``budget``, with its multiplier and wait states, compiled for
    size or for speed.

    Flash holds what the linker takes for a firmware that uses of the interface what ``extras`` says; RAM is
    state + prepared + scratch; stack and cycles are the deepest and the worst case seen on seeded vectors,
    corners of the domain included, and bounds beside them (see ``export.core.bounds``). The slice of the
    self-test in a frame is the largest that the cycles of ``budget`` have room for beside step. ``kernels``,
    ``assembly``, ``volume`` and ``extras`` are those of ``emit_c``. Measured once per program, core and
    options. Raises ToolError for a core that is not known, and when the model cannot be built or run.
    """
    return _measured(
        _Keyed(digest(program), program),
        find_core(budget.core).name,
        budget.multiplier_cycles,
        budget.wait_states,
        optimise,
        (kernels, assembly, volume, extras),
    ).fitted(budget.cycles)


def measure_leanest(program: Program, budget: Budget) -> Cost:
    """As :func:`measure`, for a firmware that uses nothing but init, prepare and step."""
    return measure(program, budget, extras=Extras(()))


def measured_source(
    program: Program,
    kernels: str = "small",
    assembly: bool = False,
    volume: VolumeTable | None = None,
    extras: Extras = PLAIN_EXTRAS,
) -> CSource:
    """The C that is measured, with the usual prefix; that of the last programs measured is kept."""
    return _written(_Keyed(digest(program), program), (kernels, assembly, volume, extras))


def choose_kernels(
    program: Program,
    budget: Budget,
    optimise: str = "size",
    assembly: bool = False,
    volume: VolumeTable | None = None,
    extras: Extras = PLAIN_EXTRAS,
) -> Cost:
    """The cost with the first kernels, small ones first, with which all of ``budget`` is kept; else with the
    first whose cycles it has, else with those that take fewest.
    """
    costs, sources = list[Cost](), set[str]()
    for kernels in TIERS:
        source = measured_source(program, kernels, assembly, volume, extras).source
        if source in sources:
            continue  # they make no difference to this program
        sources.add(source)
        costs.append(measure(program, budget, optimise, kernels, assembly, volume, extras))
        lines = judged(costs[-1], budget)
        # faster kernels do not help where what is over has nothing to do with cycles
        if all(line.within for line in lines) or (
            len(costs) == 1 and all(line.within for line in lines if line.of_cycles)
        ):
            return costs[-1]
    quick = (cost for cost in costs if all(line.within for line in judged(cost, budget) if line.of_cycles))
    return next(quick, min(costs, key=lambda cost: cost.cycles))


_Form = tuple[str, bool, VolumeTable | None, Extras]  # kernels, assembly, volume table, extras


@functools.lru_cache(maxsize=4096)
def _measured(
    keyed: _Keyed, core: str, multiplier_cycles: int, wait_states: int, optimise: str, form: _Form
) -> Measured:
    kernels, assembly, _, extras = form
    chip = Chip(find_core(core), multiplier_cycles, wait_states)
    compiled, run = _run(keyed, chip, optimise, _Code(replace(extras, uses=()), form[:3], form))
    measured = _measured_for(run, link_model(compiled, extras.functions), chip, extras.uses)
    measured = measured.compiled_by(compiler_name(optimise), optimise)
    return replace(measured, cost=replace(measured.cost, kernels=kernels, assembly=assembly))


@dataclass(frozen=True)
class _Code:
    """A form that equals every other one of the same code: what a firmware uses decides on the link alone."""

    extras: Extras
    others: tuple[str, bool, VolumeTable | None]
    form: _Form = field(compare=False)


@functools.lru_cache(maxsize=16)
def _run(keyed: _Keyed, chip: Chip, optimise: str, code: _Code) -> tuple[Compiled, _Run]:
    """The code compiled, and what it was seen to take: the same for whatever is linked of it."""
    compiled = compile_model(_written(keyed, code.form), chip.core.name, optimise)
    return compiled, _run_image(link_model(compiled), make_vectors(keyed.program, MEASURED), chip)


@functools.lru_cache(maxsize=16)
def _written(keyed: _Keyed, form: _Form) -> CSource:
    kernels, assembly, volume, extras = form
    return emit_c(keyed.program, volume=volume, kernels=kernels, assembly=assembly, extras=extras)


@dataclass(frozen=True)
class Chip:
    """A core with what its table of cycles leaves open."""

    core: Core
    multiplier_cycles: int
    wait_states: int

    @property
    def timing(self) -> Timing:
        return Timing(self.core, self.multiplier_cycles, self.wait_states)


@dataclass(frozen=True)
class Slice:
    """A slice of the self-test: bytes of the tables, cycles seen, and the bound on them."""

    size: int
    cycles: int
    bound: int | None

    @property
    def worst(self) -> int:
        return max(self.cycles, self.bound or 0)


@dataclass(frozen=True)
class Measured:
    """A cost, and the slices of the tables that a frame may have room for, the largest first. ``in_frames``:
    whether the self-test goes on while step runs.
    """

    cost: Cost
    slices: tuple[Slice, ...]
    in_frames: bool

    def compiled_by(self, compiler: str, optimise: str) -> Measured:
        """The same, with the name of what made it, for size or for speed."""
        return replace(self, cost=replace(self.cost, compiler=compiler, optimise=optimise))

    def fitted(self, cycles: int) -> Cost:
        """The cost with the largest slice that fits beside step into ``cycles``: with pieces of the known
        answer where these fit, else of the tables alone; the smallest where none does.
        """
        if not self.in_frames:
            return self.cost
        known = Slice(0, self.cost.known_cycles, self.cost.known_bound)
        step = max(self.cost.cycles, self.cost.cycles_bound or 0)
        whole = step + known.worst <= cycles
        room = [s for s in self.slices if step + s.worst <= cycles]
        chosen = room[0] if room else self.slices[-1]
        dearer = known if whole and known.worst > chosen.worst else chosen
        return replace(
            self.cost,
            selftest_cycles=dearer.cycles,
            selftest_bound=dearer.bound,
            slice_bytes=chosen.size,
            slice_known=whole,
        )


def measure_source(
    source: CSource, vectors: Vectors, chip: Chip, optimise: str, uses: tuple[str, ...]
) -> Measured:
    """The cost of C as it stands, run on ``vectors``, for a firmware with these ``uses``."""
    compiled = compile_model(source, chip.core.name, optimise)
    linked = link_model(compiled, Extras(uses).functions)
    measured = measure_images(link_model(compiled), linked, vectors, chip, uses)
    return measured.compiled_by(compiler_name(optimise), optimise)


def measure_images(
    image: Image, linked: Image, vectors: Vectors, chip: Chip, uses: tuple[str, ...]
) -> Measured:
    """The cost of ``image``, which has every function, run on ``vectors``; flash is that of ``linked``."""
    return _measured_for(_run_image(image, vectors, chip), linked, chip, uses)


@dataclass(frozen=True)
class _Run:
    """What an image with every function was seen to take, and the bounds: cycles by function, of step their
    mean; stack of the frames, and with a self-test behind them.
    """

    image: Image
    bounds: Bounds
    seen: dict[str, int]
    mean: float
    proven: dict[str, Bound]
    stack_of_frames: int
    stack_with_selftest: int


def _run_image(image: Image, vectors: Vectors, chip: Chip) -> _Run:
    bounds = Bounds(image, chip.timing)
    machine = Machine(image, chip.multiplier_cycles, chip.wait_states, bounds.watch)
    run = machine.run(vectors)
    stack_of_run = machine.stack_used()
    seen = {
        "step": int(run.cycles.max()),
        "prepare": run.worst_case["prepare"],
        "selftest_slice": machine.selftest_cycles(_SMALL_SLICE),
    }
    proven = {name: _checked(bounds.cycles(name), most) for name, most in seen.items()}
    return _Run(image, bounds, seen, float(run.cycles.mean()), proven, stack_of_run, machine.stack_used())


def _measured_for(run: _Run, linked: Image, chip: Chip, uses: tuple[str, ...]) -> Measured:
    """The cost of a run for a firmware with these ``uses``, of which ``linked`` is the flash."""
    extras, image, bounds, seen, proven = Extras(uses), run.image, run.bounds, run.seen, run.proven
    used = [name for name in extras.functions if name in FUNCTIONS]
    stack, lost = _deepest(lambda: max(bounds.stack(name) for name in used))
    stack_used = run.stack_with_selftest if SELFTEST in extras.interfaces else run.stack_of_frames
    if stack is not None and stack < stack_used:
        stack, lost = None, f"{stack} computed, {stack_used} seen"
    cost = Cost(
        core=chip.core.name,
        flash_code=linked.code,
        flash_tables=linked.tables,
        flash_helpers=linked.helpers,
        ram=image.ram,
        stack=stack_used,
        cycles=seen["step"],
        cycles_mean=run.mean,
        stack_bound=stack,
        cycles_bound=proven["step"].cycles,
        prepare_cycles=seen["prepare"],
        prepare_bound=proven["prepare"].cycles,
        known_cycles=seen["selftest_slice"],
        known_bound=proven["selftest_slice"].cycles,
        ram_state=image.state_size,
        ram_prepared=image.prepared_size,
        ram_scratch=image.scratch_size,
        ram_selftest=image.selftest_size if SELFTEST in extras.interfaces else 0,
        uses=extras.uses,
        basis=_basis(proven, lost),
    )
    in_frames = FRAME_SELFTEST in extras.uses
    slices = tuple(_slice(image, chip, size) for size in SLICES) if in_frames else ()
    return Measured(cost, slices, in_frames)


def interface_bytes(source: CSource, core: str, optimise: str) -> dict[str, int]:
    """Flash of a firmware that uses nothing but init, prepare and step ('leanest'), and what each part of the
    interface adds to it alone; what two parts share is in both. Linked once for the same C.
    """
    return dict(_linked_parts(_Text(source.prefix, source.header, source.source, source), core, optimise))


@dataclass(frozen=True)
class _Text:
    """C that equals every other one of its text."""

    prefix: str
    header: str
    source: str
    whole: CSource = field(compare=False)


@functools.lru_cache(maxsize=64)
def _linked_parts(text: _Text, core: str, optimise: str) -> dict[str, int]:
    compiled = compile_model(text.whole, core, optimise)
    leanest = len(link_model(compiled, LEANEST).flash)
    adds = {
        name: len(link_model(compiled, (*LEANEST, *functions)).flash) - leanest
        for name, functions in INTERFACES.items()
    }
    return {"leanest": leanest, **adds}


def _slice(image: Image, chip: Chip, size: int) -> Slice:
    """A slice of the tables alone: the loops of another size must not count in its bound."""
    bounds = Bounds(image, chip.timing)
    machine = Machine(image, chip.multiplier_cycles, chip.wait_states, bounds.watch)
    seen = machine.selftest_cycles(size, min(_WATCHED_SLICES, -(-image.layout.tables.size // size)))
    return Slice(size, seen, _checked(bounds.cycles("selftest_slice", without="known"), seen).cycles)


def _checked(bound: Bound, seen: int) -> Bound:
    """A bound that a run has passed is none: the code was not followed rightly."""
    if bound.cycles is not None and bound.cycles < seen:
        return replace(bound, cycles=None, why=f"{bound.cycles} computed, {seen} seen")
    return bound


def _deepest(asked: Callable[[], int]) -> tuple[int | None, str]:
    try:
        return asked(), ""
    except NotFollowed as lost:
        return None, str(lost)


def _basis(bounds: dict[str, Bound], lost: str) -> str:
    """What is proven and what was only seen, as one sentence."""
    sentences = [f"no bound on the stack: {lost}" if lost else "stack: proven from the call graph"]
    sentences += [
        f"no bound on the cycles of {name}: {bound.why}"
        for name, bound in bounds.items()
        if bound.cycles is None
    ]
    loops = sum(bound.loops for bound in bounds.values())
    varying = sum(bound.varying for bound in bounds.values())
    vary = (
        f"{varying} {'varies: its' if varying == 1 else 'vary: their'} maximum" if varying else "none varies"
    )
    if any(bound.cycles is not None for bound in bounds.values()):
        sentences.append(
            f"cycles: worst-case branches, loop counts as measured ({counted(loops, 'loop')}; {vary})"
        )
    return "; ".join(sentences)
