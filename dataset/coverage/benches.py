"""On which benches what was captured: what was on one bench only says nothing of another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from dataset.coverage.condition_words import condition_words
from dataset.records import ID_DIGITS, Session
from dataset.values import natural


def benches_of(sessions: Iterable[Session], names: Mapping[str, str]) -> dict[str, str]:
    """By the id of a session what its bench is called, of those that say it; ``names`` are by identity."""
    return {
        session.id: names.get(bench, bench[:ID_DIGITS])
        for session in sessions
        if (bench := session.occasion.bench) is not None
    }


def on_one_bench(sessions: Sequence[Session], names: Mapping[str, str]) -> Iterator[str]:
    """What was captured on one bench only, tank by tank, a sentence each; nothing where no session says its
    bench. Void sessions are the caller's to leave out.
    """
    bench_of = benches_of(sessions, names)
    if not bench_of:
        return
    on_tank: dict[str, list[Session]] = {}
    for session in sessions:
        if session.id in bench_of:
            on_tank.setdefault(session.mounting.tank.ref, []).append(session)
    for tank in sorted(on_tank, key=natural):
        there = {bench_of[session.id] for session in on_tank[tank]}
        if len(there) == 1:
            yield f"{tank}: only on bench {there.pop()}"
            continue
        only: dict[str, list[str]] = {}
        for what, benches in _by_word(on_tank[tank], bench_of).items():
            if len(benches) == 1:
                only.setdefault(min(benches), []).append(what)
        for bench in sorted(only, key=natural):
            yield f"{tank}: only on bench {bench}: {', '.join(only[bench])}"
    silent = len(sessions) - len(bench_of)
    if silent:
        yield f"sessions that do not say their bench: {silent}"


def _by_word(sessions: Iterable[Session], bench_of: Mapping[str, str]) -> dict[str, set[str]]:
    """The benches of each liquid, then of each condition."""
    liquids: dict[str, set[str]] = {}
    conditions: dict[str, set[str]] = {}
    for session in sessions:
        bench = bench_of[session.id]
        liquids.setdefault(session.liquid.name, set()).add(bench)
        for stretch in session.stretches:
            for word in condition_words(stretch.conditions):
                conditions.setdefault(word, set()).add(bench)
    return {what: kind[what] for kind in (liquids, conditions) for what in sorted(kind, key=natural)}
