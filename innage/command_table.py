"""The commands by name: which module holds each, and its line in ``innage --help``, so that none is imported
to be listed.

A command's line is the first sentence of its help; a test holds the two together.
"""

from __future__ import annotations

from typing import NamedTuple


class Entry(NamedTuple):
    """Where a command lives (a module of ``innage.commands``) and what it does, in a line of 80 columns; and
    the modules beside it that have more of a group's commands.
    """

    module: str
    line: str
    beside: tuple[str, ...] = ()


SECTIONS: dict[str, dict[str, Entry]] = {
    "What the readings are taken on": {
        "tank": Entry("tank", "Tanks and their frozen shapes, the revisions.", ("trying",)),
        "liquid": Entry("liquid", "Liquids: permittivity, conductivity and density, where known."),
        "sensor": Entry("sensor", "Sensors: pads in channel order, count width and law, period."),
        "mounting": Entry("mounting", "Mountings: a sensor revision on a tank revision."),
        "unit": Entry(
            "unit", "Units: physical samples of board, adhesive and tank.", ("unit_import", "unit_compare")
        ),
        "operator": Entry("operator", "Operators: who captures, by short codes."),
        "instrument": Entry("instrument", "Instruments: what levels are measured with, and how well."),
        "standard": Entry("standard", "Check standards: measured each bench day, with control charts."),
        "retire": Entry("retiring", "Take something registered out of use, with a reason."),
        "trim": Entry(
            "trimming",
            "Trims: a unit's own stored counts, and limits for a fixture.",
            ("trim_bytes", "trim_import"),
        ),
    },
    "Captures": {
        "log": Entry("logging", "Log capture sessions from files."),
        "capture": Entry(
            "live", "Capture live from a board; resume, seal or discard a capture.", ("live_boards",)
        ),
        "sessions": Entry("sessions", "List the capture sessions, void ones included."),
        "show": Entry("sessions", "Show one capture session: facts, warnings, marks, counts."),
        "amend": Entry("amending", "Amend what is stated of a sealed session."),
        "void": Entry("sessions", "Void sessions that must not be used, with a reason."),
        "tag": Entry("tagging", "Tags of sessions, added and removed; both are kept."),
        "mark": Entry("marking", "Level marks: propose, set and amend them, show their history."),
        "mapping": Entry("mapping", "Column mappings, saved with 'innage log --save-mapping NAME'."),
        "gaps": Entry("gaps", "Show what has been captured, and what is missing."),
        "plan": Entry("gaps", "List the next sessions worth running, and why."),
    },
    "Models": {
        "limits": Entry("limits", "Limits: bounds that a model must keep to, versioned."),
        "budget": Entry("budget", "Budgets: flash, RAM, stack and cycles that a model may use."),
        "freeze": Entry("freezing", "Freeze a choice of sessions; each group gets exactly one role."),
        "frozen": Entry("freezing", "List the frozen sets, or show one with its groups."),
        "train": Entry("training", "Search for the smallest integer model that meets the limits."),
        "models": Entry("training", "List the models, or show the figures of one."),
        "status": Entry("status", "Set the status of a model: candidate or retired."),
        "study": Entry("studying", "Show what trims and features are worth to a model."),
        "compare": Entry("comparing", "Compare a candidate with the model in use."),
        "retrain": Entry("retraining", "Refit a model for a new tank; compare options, keep the best."),
        "sweep": Entry("sweeping", "Show how much drift a model stands until a limit fails."),
        "faults": Entry("faults", "Break the sensor chain, and count how often a model notices."),
        "report": Entry("reporting", "Reports: one HTML page on a session, set, model or comparison."),
        "replay": Entry("replaying", "Give a model's readings of field logs, or of a live board."),
    },
    "Handing over": {
        "export": Entry("exporting", "Check limits and budget, then write the bundle."),
        "verify": Entry("exporting", "Check that a bundle is whole and that its parts agree."),
        "sign": Entry("signing", "Sign a bundle with a key of the team's."),
        "channel": Entry("channel", "Channels: names that point at released bundles."),
        "crc": Entry("code_crc", "Compute the CRC of a model's code in a linked firmware."),
        "changes": Entry("changing", "Show what changed from one bundle to the next."),
        "trace": Entry("tracing", "Walk from an exported file back to the readings behind it."),
    },
    "The store": {
        "check": Entry("checking", "Check every page, reference and hash of the store."),
        "backup": Entry("backup", "Copy the whole store, checked, to one file."),
        "restore": Entry("backup", "Put a backup in the store's place, once it is checked."),
        "merge": Entry("merging", "Bring in what another store has: all of it or nothing."),
        "store": Entry("store", "The whole store: as open files, and on a server."),
        "text": Entry("text", "Registry, limits and marks as plain text that diffs well."),
    },
    "With a team": {
        "push": Entry("pushing", "Send a team's store what it has not acknowledged."),
        "pull": Entry("pulling", "Bring in what a team's store has and this one has not."),
        "job": Entry("job", "Jobs: queued in the store, done by 'innage runner'."),
        "runner": Entry("runner", "Do the jobs of the store's queue, the oldest first."),
        "serve": Entry("serving", "Serve the store over HTTP, for a team."),
        "token": Entry("token", "Tokens: who may do what through the service."),
        "audit": Entry("audit", "The audit chain: who did what, and whether it is whole."),
    },
    "Without hardware": {
        "rig": Entry("rig", "The virtual rig: everything made from it is simulated."),
        "demo": Entry("demo", "Run the whole job in a new folder, showing each command."),
    },
}
COMMANDS: dict[str, Entry] = {name: entry for section in SECTIONS.values() for name, entry in section.items()}
