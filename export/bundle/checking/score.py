"""The score of a bundle's evidence: the sample that its manifest states, made anew, and the whole."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from export.bundle.checks import Bundle, Failed, Stated
from export.bundle.manifest import FIRST_FORMAT
from export.bundle.scoring import SELFTEST, VECTORS, WHOLE, Asked, Score, sample_score, score_evidence
from export.compilers.core_build import build_core
from export.cores import find_core
from export.evidence.score import Progress, silent


def score(bundle: Bundle) -> str:
    """Vectors and self-test notice of a sample of breaks what the manifest says: all of them are tried
    again.
    """
    if bundle.manifest.format == FIRST_FORMAT:
        raise Stated(f"no score: {bundle.written_by()}")
    stated = bundle.manifest.body.get("score")
    other = bundle.other_version()
    if other:
        raise Stated(f"{_sentence(stated)}: as stated, not tried again ({other})")
    again = json.loads(json.dumps(sample_score(bundle.program, bundle.vectors)))
    if "score" not in bundle.manifest.body or stated != again:
        raise Failed(f"the manifest's score is not what is found here: {_sentence(again)}")
    return _sentence(again)


def _sentence(sample: Mapping[str, Any] | None) -> str:
    """What was noticed of which sample."""
    if sample is None:
        return "no sample of breaks: the program is too large for it"
    noticed = [
        f"the {line['evidence']} notice{'' if line['evidence'] == VECTORS else 's'} {line['noticed']} of "
        f"{line['counting']}{' held out' if line['evidence'] == SELFTEST else ''}"
        for line in sample["lines"]
        if line["of"] == {VECTORS: "breaks", SELFTEST: "breaks held out"}[line["evidence"]]
    ]
    return (
        f"{sample['tried']} of {sample['breaks']} breaks, seed {sample['seed']}; of those that change a "
        f"reading {', '.join(noticed)}"
    )


def score_bundle(bundle: Bundle, asked: Asked = WHOLE, progress: Progress = silent) -> Score:
    """The score of the bundle's own vectors, and of the C that is made anew of its program. Raises InputError
    and NotEnoughEvidence as reading and making do.
    """
    image = build_core(bundle.source, find_core(bundle.manifest.core).name, bundle.optimise)
    return score_evidence(bundle.program, bundle.vectors, image, asked, progress)
