"""``innage runner``: does the jobs of a store's queue."""

from __future__ import annotations

from typing import Annotated

import typer

from innage.exit_codes import SAID_NO
from innage.options import DEFAULT_STORE, DaskOption, StoreOption, open_existing
from innage.terminal.output import say_aside
from innage.terminal.stopping import asked_to_stop


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("runner")(runner)


def runner(
    once: Annotated[bool, typer.Option("--once", help="End when no job is left that can be done.")] = False,
    lease_s: Annotated[
        int,
        typer.Option(
            "--lease-s", min=5, max=3600, help="After how many seconds a silent runner loses its job."
        ),
    ] = 30,
    dask: DaskOption = None,
    store: StoreOption = DEFAULT_STORE,
) -> None:
    """Do the jobs of the store's queue, the oldest first.

    Several runners may work on one store. SIGTERM or Ctrl-C: it takes no other job, and the one that runs
    goes back into the queue at its next step. With --once exit 1 where a job failed here.
    """
    from dataset.pools.opening import pool_at
    from dataset.words import JobState
    from innage.runner.running import Runner, run_jobs

    with open_existing(store) as opened, pool_at(dask) as pool, asked_to_stop() as stop:
        how = Runner(float(lease_s), should_stop=stop, say=say_aside, pool=pool)
        ended = run_jobs(opened, once=once, how=how)
    if once and ended.get(JobState.FAILED):
        raise typer.Exit(SAID_NO)
