"""Triggers that refuse to change, delete or empty what is finished: the same as in a file, and TRUNCATE too.

Statements are written as the server gives them back (``pg_get_triggerdef``), so that a check can compare
them.
"""

from __future__ import annotations

from collections.abc import Iterator

# rows that never change once they have their hash, and those that never do
_HASHED = (
    *("tank", "liquid", "sensor", "mounting", "budget", "limits", "mapping", "operator", "instrument"),
    *("check_standard", "check_measurement", "unit_assignment", "unit_union", "void_event", "tag_event"),
    *("retirement_event", "status_event", "model", "export", "board_measurement"),
    *("token", "token_revocation", "receipt", "staged_blob"),
    *("channel_move", "withdrawal_event", "bundle_signature", "job_event"),
)
_ALWAYS = (
    "amendment",
    "audit",
    "bundle_content",
    "exported_file",
    "job_file",
    "limit_row",
    "mark_revision",
    "pad",
    "prove_opening",
    "trim",
)
# a store may call these something else, see later that two units are one, say where a job stands; the rest
# never changes
_PARTLY = {
    "bench": ("identity",),
    "unit": ("note", "serial", "bench_id", "identity", "record_sha256", "hashed_by_upgrade"),
    "job": ("key", "identity", "kind", "settings", "inputs", "versions", "asked_at", "asked_by", "token"),
}
_CAN_GO = ("mapping", "operator", "staged_blob")
_SEALED = ("capture_session", "frozen_set")
_PARTS = {
    "capture_session": ("session_id", ("condition_stretch", "door_warning", "frame_block", "mark")),
    "frozen_set": ("frozen_set_id", ("frozen_role", "frozen_session", "frozen_trim")),
}

_HAS_HASH = "WHEN (old.record_sha256 IS NOT NULL) "
_REFUSE = "innage_refuse"

FUNCTIONS = {
    _REFUSE: """
BEGIN
    RAISE EXCEPTION USING MESSAGE = TG_ARGV[0], ERRCODE = 'insufficient_privilege';
END
""",
} | {
    f"{_REFUSE}_{table}": f"""
BEGIN
    IF TG_OP <> 'INSERT' AND (SELECT sealed FROM {table} WHERE id = OLD.{key})
        OR TG_OP <> 'DELETE' AND (SELECT sealed FROM {table} WHERE id = NEW.{key})
    THEN
        RAISE EXCEPTION USING MESSAGE = TG_ARGV[0], ERRCODE = 'insufficient_privilege';
    END IF;
    IF TG_OP = 'DELETE' THEN
        RETURN OLD;
    END IF;
    RETURN NEW;
END
"""  # noqa: S608 - names from above
    for table, (key, _) in _PARTS.items()
}


def function_statements() -> Iterator[str]:
    """What makes the functions that the triggers call."""
    for name, body in FUNCTIONS.items():
        yield f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $guard${body}$guard$"


def trigger_statements() -> dict[str, str]:
    """What makes each trigger, by its name."""
    made: dict[str, str] = {}

    def guard(table: str, event: str, when: str, reason: str, function: str = _REFUSE) -> None:
        name = f"guard_{table}_{event.split(maxsplit=1)[0].lower()}"
        each = "STATEMENT" if event == "TRUNCATE" else "ROW"
        made[name] = (
            f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH {each} {when}"
            f"EXECUTE FUNCTION {function}('{reason}')"
        )

    for table in (*_HASHED, *_ALWAYS, *_PARTLY):
        event = f"UPDATE OF {', '.join(_PARTLY[table])}" if table in _PARTLY else "UPDATE"
        guard(table, event, "" if table in _ALWAYS else _HAS_HASH, f"rows of {table} never change")
        if table not in _CAN_GO:
            guard(table, "DELETE", "", f"rows of {table} are never deleted")
        guard(table, "TRUNCATE", "", f"rows of {table} are never deleted")
    name = "guard_job_ended"
    made[name] = (
        f"CREATE TRIGGER {name} BEFORE UPDATE ON job FOR EACH ROW WHEN (old.ended IS NOT NULL) "
        f"EXECUTE FUNCTION {_REFUSE}('a job that has ended never changes')"
    )
    for table in _SEALED:
        for event in ("UPDATE", "DELETE"):
            guard(table, event, "WHEN (old.sealed) ", f"a sealed {table} never changes")
        guard(table, "TRUNCATE", "", f"a sealed {table} never changes")
        for part in _PARTS[table][1]:
            reason = f"the {table} that this {part} belongs to is sealed"
            for event in ("INSERT", "UPDATE", "DELETE"):
                guard(part, event, "", reason, f"{_REFUSE}_{table}")
            guard(part, "TRUNCATE", "", reason)
    return made
