"""``innage job``: the queue of jobs."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dataset.errors import InputError
from dataset.words import JobState
from innage.options import (
    DEFAULT_STORE,
    JsonOption,
    StoreOption,
)
from innage.server_options import (
    Connect,
    PlainHttpOption,
    ServerOption,
    TokenFileOption,
    at_hand_or_served,
)
from innage.terminal.output import emit, say
from innage.terminal.views.jobs import show_events, show_job, show_jobs

if TYPE_CHECKING:
    from dataset.records import QueuedJob
    from dataset.store import Store
    from dataset.store.places import Place
    from innage.runner.places import QueuePlace

app = typer.Typer(
    help="Jobs: queued in the store, done by 'innage runner'.", no_args_is_help=True, rich_markup_mode=None
)

JobArgument = Annotated[str, typer.Argument(help="The job: the first digits of its key.", metavar="JOB")]
FOLLOW_S = 1.0  # between looks at a job that is followed

# which parameters of the command of a kind a job takes, by what its settings call them
_JUDGED = {name: name for name in ("limits", "budget", "seed", "role")}
_TAKEN: Mapping[str, Mapping[str, str]] = {
    "train": {
        **{name: name for name in ("frozen", "name", "limits", "budget", "seed", "date", "recipe", "trim")},
        "family": "families",
        "since_pour": "since_pour",
        "ablation": "ablation",
    },
    "retrain": {
        name: name for name in ("model", "frozen", "name", "limits", "budget", "seed", "date", "steps")
    },
    "compare": {"first": "first", "second": "second", "frozen": "frozen", **_JUDGED},
    "sweep": {"model": "model", "role": "role", "limits": "limits"},
    "study": {
        "model": "model",
        "trims": "trims",
        "features": "features",
        "prove": "role",
        **{name: name for name in ("limits", "budget", "seed")},
    },
    "report session": {"session": "name"},
    "report frozen": {"name": "name"},
    "report model": {"name": "name", "budget": "budget"},
    "report compare": {"first": "name", "second": "second", "frozen": "frozen", "role": "role"},
    "export": {
        name: name
        for name in (
            *(
                "model",
                "budget",
                "prefix",
                "optimise",
                "kernels",
                "assembly",
                "volume_table",
                "uses",
                "anyway",
            ),
            *("even_if_void", "even_if_retired", "even_if_unproven", "made_vectors_only", "fast_crc"),
            "memory_check",
        )
    },
    "replay": {name: name for name in ("model", "files", "unit", "mapping", "since_pour")},
}
_HAS_OUT = ("report", "export")  # whose commands ask for a place; a job's files stay in the store


def _queue(
    store: Place, server: str | None, token_file: Path | None, plain_http: bool
) -> AbstractContextManager[QueuePlace]:
    """The store whose queue it is: at hand, or behind a URL."""

    def at_hand(opened: Store) -> QueuePlace:
        from innage.runner.places import AtHand

        return AtHand(opened)

    def served() -> Connect[QueuePlace]:
        from innage.service.client.jobs import Queue

        return Queue

    return at_hand_or_served(store, server, token_file, plain_http, at_hand=at_hand, served=served)


@app.command(context_settings={"ignore_unknown_options": True})
def add(
    context: typer.Context,
    kind: Annotated[
        str,
        typer.Argument(
            help="train, retrain, compare, sweep, study, report, export or replay.", metavar="KIND"
        ),
    ],
    words: Annotated[
        list[str] | None,
        typer.Argument(
            help="The arguments and options of 'innage KIND', such as: all --name m1 --limits owner. "
            "Options that say where something is written or shown are left out.",
            metavar="ARGUMENTS",
        ),
    ] = None,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Queue a job; print its key.

    What it works on is settled now: 'innage runner' does nothing where a name stands for something else by
    then. What is queued or runs already is not queued twice. Its files stay in the store: 'innage job show
    JOB --out FOLDER'.
    """
    from innage.runner.facts import job_facts
    from innage.runner.kinds import kind_of

    kind_of(kind)
    settings, logs = _parsed(context, kind, words or [])
    contents = _contents(logs)
    with _queue(store, server, token_file, plain_http) as queue:
        job = queue.add(kind, settings, contents)
    if json:
        emit(job_facts(job))
    else:
        print(job.key)


def _parsed(context: typer.Context, kind: str, words: Sequence[str]) -> tuple[dict[str, Any], list[Path]]:
    """Settings, and files to be read, of words as the command of that kind takes them."""
    root: Any = context.find_root().command
    command, rest, called = root.get_command(context, kind), list(words), kind
    if kind == "report":
        about = rest.pop(0) if rest else ""
        command, called = command.get_command(context, about), f"report {about}"
        if command is None:
            raise InputError("report", repr(about[:80]), "session, frozen, model or compare")
    placed = kind in _HAS_OUT
    if placed and any(word.partition("=")[0] == "--out" for word in rest):
        raise _left_out("--out")
    taken = _TAKEN[called]
    parsed = command.make_context(
        called, rest + (["--out", "page.html"] if placed else []), parent=context.find_root()
    )
    for name in parsed.params:
        source = parsed.get_parameter_source(name)
        given = source is not None and source.name == "COMMANDLINE"
        if given and name not in taken and not (placed and name == "out"):
            raise _left_out("--" + name.replace("_", "-"))
    settings = {taken[name]: value for name, value in parsed.params.items() if name in taken}
    return _as_settings(kind, called, settings)


def _left_out(option: str) -> InputError:
    hint = "its files stay in the store: see 'innage job show JOB --out FOLDER'"
    return InputError(option, "given to a job", "options that say what it does", hint)


def _as_settings(kind: str, called: str, given: dict[str, Any]) -> tuple[dict[str, Any], list[Path]]:
    """The same as settings call them: lists that are empty are not said."""
    lists = ("families", "uses", "files")
    logs = [Path(path) for path in given.pop("files", None) or ()] if kind == "replay" else []
    settings = {
        name: list(value) if name in lists and value else getattr(value, "value", value)
        for name, value in given.items()
        if value is not None and (name not in lists or value)
    }
    if kind == "study":
        trims, features, prove = (settings.pop(name) for name in ("trims", "features", "role"))
        settings |= {"trims": trims or not features, "features": features or not trims}
        settings["role"] = "prove" if prove else "choose"
    if kind == "report":
        settings["about"] = called.partition(" ")[2]
    return settings, logs


def _contents(logs: Sequence[Path]) -> dict[str, bytes]:
    """Files by their names, read now."""
    from dataset.store.contents import MOST_FILE

    contents: dict[str, bytes] = {}
    for path in logs:
        if path.name in contents:
            raise InputError(str(path), "a second file of this name", "files of different names")
        try:
            with path.open("rb") as file:
                contents[path.name] = file.read(MOST_FILE + 1)
        except OSError as error:
            raise InputError(str(path), f"cannot be read ({error.strerror})", "a field log") from error
    return contents


@app.command("list")
def list_(
    state: Annotated[
        list[JobState] | None, typer.Option("--state", help="Only in this state; repeat: in any.")
    ] = None,
    limit: Annotated[int, typer.Option("--limit", min=1, help="At most so many.")] = 50,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """List the jobs, the newest first."""
    from innage.runner.facts import job_facts

    with _queue(store, server, token_file, plain_http) as queue:
        jobs = queue.jobs(state or (), limit)
    if json:
        emit([job_facts(job) for job in jobs])
    else:
        show_jobs(jobs)


@app.command()
def show(
    job: JobArgument,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write the files that it made to this folder, new or empty.")
    ] = None,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show a job: what was asked, its state, and its result."""
    from innage.runner.facts import job_facts
    from innage.runner.keeping import write_outputs

    with _queue(store, server, token_file, plain_http) as queue:
        queued = queue.job(job)
        last = queue.events(queued.key)[-1]
        if out is not None:
            write_outputs(queue, queued, out)
    facts = job_facts(queued)
    if json:
        emit(facts)
    else:
        show_job(queued, facts["files"], last)


@app.command()
def cancel(
    job: JobArgument,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Cancel a job. One that is queued ends now, one that runs at its next step.

    Cancelling it again changes nothing.
    """
    with _queue(store, server, token_file, plain_http) as queue:
        asked = queue.cancel(job)
    ends = "is cancelled" if asked.state is JobState.CANCELLED else "ends at its next step"
    say(f"job {asked.key[:12]} {ends}")


@app.command()
def log(
    job: JobArgument,
    follow: Annotated[bool, typer.Option("--follow", help="Go on until the job has ended.")] = False,
    server: ServerOption = None,
    token_file: TokenFileOption = None,
    plain_http: PlainHttpOption = False,
    json: JsonOption = False,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Show the log of a job. It has attempts, progress, openings and the end."""
    from innage.runner.facts import event_facts

    with _queue(store, server, token_file, plain_http) as queue:
        queued = queue.job(job)
        if json and not follow:
            emit([event_facts(event) for event in queue.events(queued.key)])
            return
        _follow(queue, queued, follow=follow)


def _follow(queue: QueuePlace, job: QueuedJob, *, follow: bool) -> None:
    after = 0
    while True:
        ended = queue.job(job.key).state.has_ended  # before the events: the last ones are told
        events = queue.events(job.key, after)
        show_events(events)
        after = events[-1].number if events else after
        if ended or not follow:
            return
        time.sleep(FOLLOW_S)
