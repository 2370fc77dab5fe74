"""The store's schema, revision by revision.

A new revision is a file in ``versions``, written by hand, named after its id, with its id appended here. It
restates the tables it needs and imports nothing of the project. A batch rewrite of a guarded table loses that
table's triggers, and stops at triggers of other tables that read it: a revision drops those first and creates
all of them again.
"""

from __future__ import annotations

from typing import Final

# oldest first; the last one is what is written now
REVISIONS: Final = (
    "0001_first",
    "0002_bench",
    "0003_simulated",
    "0004_parent",
    "0005_limits",
    "0006_temperature",
    "0007_proof",
    "0008_team",
)
