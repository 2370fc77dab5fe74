"""The first page of a bundle's folder: what to read, what to call, how to check it, and the cautions.

It follows from the program and how its C is written, as the C does, so verification makes it again.
"""

from __future__ import annotations

from export.bundle.manifest import Written
from export.c.text import fill, template
from export.cautions import CAUTIONS, uneven_tanks
from export.identity import GATE_MEANING
from export.trim_bytes import TrimAnswer
from training.program import LEVEL_UNITS_PER_MM, Program, model_id


def readme(program: Program, prefix: str, written: Written) -> str:
    """The text of ``README.md``, as Markdown that reads well unrendered.

    ``written`` says what the export was let pass with, which stands ahead of all else.
    """
    counts = f"{program.channels} counts" if program.channels > 1 else "one count"
    passed = [GATE_MEANING[name] for name in GATE_MEANING if name in written.stamp.gates]
    known = [f"{what}; the report says more" for what in passed]
    known += [uneven] if (uneven := uneven_tanks(dict(written.uneven_spans_mm))) else []
    trimmed = program.trim is not None
    names = {"prefix": prefix, "PREFIX": prefix.upper()}
    names["trim_answer"] = str(int(TrimAnswer.BAD_MAGIC))  # of the erased memory that stands in for a board's
    example = template("readme_example.md") + template(f"readme_{'trimmed' if trimmed else 'untrimmed'}.md")
    return fill(
        template("readme.md"),
        {
            "prefix": prefix,
            "model_id": f"0x{model_id(program):08x}",
            "counts": counts,
            "units_per_mm": str(LEVEL_UNITS_PER_MM),
            "period_ms": str(program.period_ms),
            "passed": "".join(f"\n**Know first:** {what}.\n" for what in known),
            "pour": " since_pour," if program.longest_pour_s else "",
            "trim": fill(_TRIMMED if trimmed else _UNTRIMMED, {"prefix": prefix}),
            "example": fill(example, names) if written.readme > 1 else "",
            "cautions": "\n".join(f"- {caution}" for caution in CAUTIONS),
        },
    )


_TRIMMED = (
    "`trim` is what `@prefix@_trim_check` took from the bytes that `innage trim bytes UNIT --out FILE` wrote "
    "for this unit."
)
_UNTRIMMED = "This model uses no trim: pass NULL."
