"""The checks of a bundle on a board of the firmware team's: it runs the vectors, and what it measures is held
to the budget.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from dataset.errors import InputError
from dataset.live.board import SourceLost
from export.board.talk import WAITS, BoardError, BoardRun, Hello, Line, Talk, TrimRefusedError, Waits
from export.bundle.build import Progress, silent
from export.bundle.checks import Bundle, Failed, NotEnoughEvidence, equal
from export.bundle.manifest import FIRST_FORMAT
from export.identity import identity_bytes, read_identity
from training.program import Array, digest, model_id

NUMBERS, CYCLES, STACK = "C on the board", "cycles, board", "stack, board"
NAMES = (NUMBERS, CYCLES, STACK)
_OF_ANOTHER = "build its firmware from this bundle"


@dataclass(frozen=True)
class OnBoard:
    """What a board measured while it gave the expected numbers. ``name``, ``compiler`` and ``built`` are its
    firmware's own words. None: not measured.
    """

    name: str
    compiler: str
    built: str
    clock_hz: int
    vectors: int
    cycles: int | None
    cycles_mean: float | None
    prepare_cycles: int | None
    stack: int | None


class BoardChecks:
    """The checks on the board at the other end of ``line``, which is asked once; the later ones say what it
    measured.
    """

    def __init__(self, line: Line, waits: Waits | None = None, progress: Progress = silent) -> None:
        self._line, self._waits, self._progress = line, waits or WAITS, progress
        self._hello: Hello | None = None
        self._run: BoardRun | None = None

    @property
    def checks(self) -> Mapping[str, Callable[[Bundle], str]]:
        """The checks by name, in the order in which they are made."""
        return {NUMBERS: self.numbers, CYCLES: self.cycles, STACK: self.stack}

    @property
    def measured(self) -> OnBoard | None:
        """What was measured; None unless the board gave every expected number."""
        if self._run is None or self._hello is None:
            return None
        hello, run = self._hello, self._run
        counted = self._uncounted == 0
        return OnBoard(
            name=hello.name,
            compiler=hello.compiler,
            built=hello.built,
            clock_hz=hello.clock_hz,
            vectors=len(run.cycles),
            cycles=int(run.cycles.max()) if counted else None,
            cycles_mean=float(run.cycles.mean()) if counted else None,
            prepare_cycles=run.prepare_cycles if counted else None,
            stack=run.stack if run.stack < hello.painted else None,
        )

    @property
    def _uncounted(self) -> int:
        """Vectors in which the board counted no cycle."""
        return 0 if self._run is None else int(np.count_nonzero(self._run.cycles == 0))

    def numbers(self, bundle: Bundle) -> str:
        """The board runs this very export, its self-test passes, and it gives the expected numbers."""
        if bundle.manifest.format == FIRST_FORMAT:
            raise NotEnoughEvidence(f"not run: {bundle.written_by()}, whose bundles have nothing for a board")
        talk = Talk(self._line, self._waits)
        try:
            hello = talk.hello()
            _same_export(bundle, hello)
            _same_layout(bundle, hello)
            if not talk.passes_selftest():
                raise Failed("the self-test on the board says no: its code or its tables are damaged")
            run = self._replay(bundle, talk, hello)
        except TrimRefusedError as refused:
            raise Failed(str(refused)) from refused
        except BoardError as error:
            raise NotEnoughEvidence(f"{self._line.name}: {error}") from error
        except SourceLost as lost:
            raise NotEnoughEvidence(f"{self._line.name}: the port was lost ({lost})") from lost
        done = bundle.vectors.rows(0, len(run.cycles))
        equal(bundle.program, done, "the C on the board", run.readings, run.state)
        if len(done) != len(bundle.vectors):
            raise AssertionError("the run ended before the last vector, and no number differs")
        self._hello, self._run = hello, run
        by = f" by {hello.compiler}" if hello.compiler else ""
        by += f" for {hello.built}" if hello.built else ""
        again = (
            f"; {run.sent_again} requests sent again, {run.damaged} frames damaged" if run.sent_again else ""
        )
        return (
            f"the bundle's identity in a firmware{by}; self-test true; {len(run.cycles)} vectors equal, "
            f"readings and state{again}"
        )

    def _replay(self, bundle: Bundle, talk: Talk, hello: Hello) -> BoardRun:
        """Run the vectors up to the stream that has the first difference."""
        stated = bundle.vectors

        def differs(done: int, readings: Array, state: Array) -> bool:
            start = done - stated.stream_frames
            same = np.array_equal(readings, stated.readings[start:done])
            return not (same and np.array_equal(state, stated.state[start:done]))

        return talk.run(stated, bundle.emitted.layout, hello.count_bytes, differs, self._progress)

    def cycles(self, bundle: Bundle) -> str:
        """No step took more cycles on the board than the budget has."""
        run, body = self._ran(), bundle.manifest.body
        if self._uncounted:
            raise NotEnoughEvidence(
                f"no cycle was counted in {self._uncounted} of {len(run.cycles)} vectors: the board's "
                "counter stands still, or counts something slower"
            )
        worst, most = int(run.cycles.max()), body["budget"]["cycles"]
        told = (
            f"step at most {worst}, {run.cycles.mean():.0f} in the mean; prepare at most {run.prepare_cycles}"
        )
        if body["cost"] is not None:
            share = 100 * worst / body["cost"]["cycles"]
            told += f"; the emulated {body['cost']['core']} {body['cost']['cycles']} ({share:.1f} %)"
        if worst > most:
            raise Failed(f"{told}; the budget has {most}")
        return f"{told}; of {most} in the budget"

    def stack(self, bundle: Bundle) -> str:
        """Step and prepare took no more stack on the board than the budget has."""
        run, body = self._ran(), bundle.manifest.body
        painted = 0 if self._hello is None else self._hello.painted
        if not painted:
            raise NotEnoughEvidence("this firmware paints no stack: its compiler does not tell where it is")
        if run.stack >= painted:
            raise NotEnoughEvidence(
                f"deeper than the {painted} bytes that were painted: build it with a larger "
                f"{bundle.manifest.prefix.upper()}_BOARD_PAINT"
            )
        told, most = f"{run.stack} bytes, interrupts included", body["budget"]["stack_bytes"]
        if body["cost"] is not None:
            told += f"; the emulated {body['cost']['core']} {body['cost']['stack']}"
        if run.stack > most:
            raise Failed(f"{told}; the budget has {most}")
        return f"{told}; of {most} in the budget"

    def _ran(self) -> BoardRun:
        if self._run is None:
            raise NotEnoughEvidence("not measured, since the board did not give the expected numbers")
        return self._run


def _same_export(bundle: Bundle, hello: Hello) -> None:
    """Raise Failed unless the board's identity is that of the bundle, byte for byte."""
    program, stamp = bundle.program, bundle.manifest.written.stamp
    expected = identity_bytes(program, stamp)
    if hello.identity == expected:
        return
    try:
        stated = read_identity(hello.identity, "identity")
    except InputError as error:
        raise Failed(f"what the board sends is no identity ({error.found}): {_OF_ANOTHER}") from error
    own = read_identity(expected, "identity")
    if stated.program != own.program:
        raise Failed(
            f"the board runs model 0x{stated.model_id:08x}, program {stated.program[:12]}; the bundle is of "
            f"0x{model_id(program):08x}, program {digest(program)[:12]}: {_OF_ANOTHER}"
        )
    differing = [name for name in vars(own) if getattr(own, name) != getattr(stated, name)]
    raise Failed(
        f"the board runs another export of this model, whose identity differs in "
        f"{', '.join(name.replace('_', ' ') for name in differing)}: {_OF_ANOTHER}"
    )


def _same_layout(bundle: Bundle, hello: Hello) -> None:
    """Raise Failed unless the board's compiler lays numbers out as the C says."""
    program, layout = bundle.program, bundle.emitted.layout
    expected = {
        "channels": program.channels,
        "trim counts": bundle.vectors.trim.shape[1],
        "bytes of a count": 2 if program.count_bits <= 16 else 4,
        "bytes of a reading": layout.reading.size,
        "bytes of a state": layout.state.size if layout.state.values else 0,
    }
    stated = (hello.channels, hello.trim_counts, hello.count_bytes, hello.reading_bytes, hello.state_bytes)
    for (what, number), said in zip(expected.items(), stated, strict=True):
        if number != said:
            raise Failed(f"the board has {said} {what}, the model {number}: {_OF_ANOTHER}")
