"""The files of bundles that somebody offered, kept by their hashes, and what was signed of them.

They are kept as they are, and not made again when they are asked for: what follows from a model follows by
the versions of the tools too, and a bundle must come back as it was tested, years and upgrades later. What it
cost was measured by its export, and nothing here compiles.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session as OrmSession

from dataset.errors import InputError, NotFoundError, there_are
from dataset.records import ID_DIGITS, BundleFile, BundleLine, BundleSignature, KnownBundle, Model
from dataset.store import contents, tables
from dataset.store.proof import check_row, keep
from dataset.store.results.models import add_export
from dataset.values import check_text

ARCHIVE = "bundle.zip"  # the name under which an export records the hash of its zip file
MOST_SIGNATURES = 16  # of a bundle: nobody has checked them
LEAST_DIGITS = 8  # of a hash that names a bundle
_DIGITS = frozenset("0123456789abcdef")


def keep_bundle(
    orm: OrmSession,
    model: Model,
    bundle_sha256: str,
    files: Mapping[str, bytes],
    archive_sha256: str,
    signatures: Sequence[BundleSignature] = (),
) -> bool:
    """Keep the files of a bundle of ``model``, by name, with its manifest; whether anything is new. The same
    again changes nothing.
    """
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    add_export(orm, model, bundle_sha256, hashes | {ARCHIVE: archive_sha256})
    there = set(
        orm.scalars(
            select(tables.BundleContentRow.sha256).where(
                tables.BundleContentRow.sha256.in_(set(hashes.values()))
            )
        )
    )
    new = {hashes[name]: content for name, content in sorted(files.items()) if hashes[name] not in there}
    for digest, content in new.items():
        if len(content) > contents.MOST_FILE:
            raise InputError(
                f"bundle {bundle_sha256[:ID_DIGITS]}",
                f"a file of {len(content)} bytes",
                f"at most {contents.MOST_FILE}",
            )
        packed = contents.pack(content)
        orm.add(tables.BundleContentRow(sha256=digest, size=len(content), packed=packed))
    orm.flush()
    signed = _sign(orm, bundle_sha256, signatures)
    return bool(new) or signed


def _sign(orm: OrmSession, bundle_sha256: str, signatures: Sequence[BundleSignature]) -> bool:
    """Keep signatures that are not there yet; whether there were such."""
    where = f"signature of bundle {bundle_sha256[:ID_DIGITS]}"
    known = signatures_of(orm, bundle_sha256)
    new = [one for one in dict.fromkeys(signatures) if one not in known]
    if len(known) + len(new) > MOST_SIGNATURES:
        raise InputError(where, f"{len(known) + len(new)} of them", f"at most {MOST_SIGNATURES}")
    for one in new:
        check_text(where, one.keyid)
        check_text(where, one.signature)
        keep(
            orm,
            tables.BundleSignatureRow(bundle_sha256=bundle_sha256, keyid=one.keyid, signature=one.signature),
        )
    return bool(new)


def bundle_row(orm: OrmSession, ref: str) -> tables.ExportRow:
    """The export of the bundle whose hash begins with ``ref``; NotFoundError, InputError where several do."""
    wanted = ref.lower()
    if len(wanted) < LEAST_DIGITS or not set(wanted) <= _DIGITS:
        raise InputError("bundle", repr(ref[:80]), f"its hash, or at least its first {LEAST_DIGITS} digits")
    begins = select(tables.ExportRow).where(
        tables.ExportRow.bundle_sha256.startswith(wanted, autoescape=True)
    )
    rows = orm.scalars(begins.order_by(tables.ExportRow.id).limit(2)).all()
    if not rows:
        known = orm.scalars(
            select(tables.ExportRow.bundle_sha256).order_by(tables.ExportRow.id.desc()).limit(12)
        )
        raise NotFoundError(
            f"bundle {wanted[:ID_DIGITS]}",
            "is not in this store",
            "",
            there_are([sha256[:ID_DIGITS] for sha256 in known], wanted, "export one first"),
        )
    if len({row.bundle_sha256 for row in rows}) > 1:
        raise InputError(
            f"bundle {wanted}",
            f"begins the hashes of {rows[0].bundle_sha256[:ID_DIGITS]} and others",
            "more digits",
        )
    check_row(rows[0], f"export {rows[0].bundle_sha256[:ID_DIGITS]}")
    return rows[0]


def to_bundle(orm: OrmSession, row: tables.ExportRow, withdrawn: str | None) -> KnownBundle:
    """The record of an export's bundle; sizes of the files that are kept."""
    hashes = {file.name: file.sha256 for file in row.files if file.name != ARCHIVE}
    content = tables.BundleContentRow
    pairs = orm.execute(select(content.sha256, content.size).where(content.sha256.in_(set(hashes.values()))))
    sizes = {sha256: size for sha256, size in pairs}  # noqa: C416 - rows are no pairs to mypy
    return KnownBundle(
        row.bundle_sha256,
        row.model.name,
        tuple(BundleFile(name, sha256, sizes.get(sha256)) for name, sha256 in sorted(hashes.items())),
        signatures_of(orm, row.bundle_sha256),
        withdrawn,
    )


def exports_of(orm: OrmSession, model: str) -> Sequence[tables.ExportRow]:
    """Those of the model of that name, in the order of their bundles' hashes."""
    of_model = select(tables.ExportRow).join(tables.ModelRow).where(tables.ModelRow.name == model)
    return orm.scalars(of_model.order_by(tables.ExportRow.bundle_sha256)).all()


def lines(orm: OrmSession, withdrawn: Mapping[str, str]) -> tuple[BundleLine, ...]:
    """Every bundle by its hash, a line each; ``withdrawn``: those that must not be used, and why."""
    files, content = tables.ExportedFileRow, tables.BundleContentRow
    counted = (
        select(files.export_id, func.count().label("files"), func.count(content.id).label("kept"))
        .outerjoin(content, content.sha256 == files.sha256)
        .where(files.name != ARCHIVE)
        .group_by(files.export_id)
        .subquery()
    )
    signature, export = tables.BundleSignatureRow, tables.ExportRow
    by_bundle = select(signature.bundle_sha256, func.count()).group_by(signature.bundle_sha256)
    signed = {bundle: number for bundle, number in orm.execute(by_bundle)}  # noqa: C416 - rows are no pairs to mypy
    query = (
        select(export.bundle_sha256, tables.ModelRow.name, counted.c.files, counted.c.kept)
        .join(tables.ModelRow, tables.ModelRow.id == export.model_id)
        .join(counted, counted.c.export_id == export.id)
        .order_by(export.bundle_sha256, export.id)
    )
    return tuple(
        BundleLine(key, model, several, several == kept, signed.get(key, 0), withdrawn.get(key))
        for key, model, several, kept in orm.execute(query)
    )


def content_of(orm: OrmSession, bundle: str, sha256: str) -> bytes:
    """The bytes of a file of a bundle by their hash, hashed again; NotFoundError where it has no such file or
    the store does not keep it.
    """
    row = bundle_row(orm, bundle)
    where = f"file {sha256[:ID_DIGITS]} of bundle {row.bundle_sha256[:ID_DIGITS]}"
    listed = any(file.sha256 == sha256 and file.name != ARCHIVE for file in row.files)
    kept = orm.scalar(select(tables.BundleContentRow).where(tables.BundleContentRow.sha256 == sha256))
    if not listed or kept is None:
        raise NotFoundError(where, "is not kept in this store", "a file of a bundle that was offered here")
    return plain(kept)


def plain(row: tables.BundleContentRow) -> bytes:
    """What was packed; StoreError unless it has its size and hash."""
    return contents.plain(f"file {row.sha256[:ID_DIGITS]} of a bundle", row)


def signatures_of(orm: OrmSession, bundle_sha256: str) -> tuple[BundleSignature, ...]:
    """What was signed of a bundle, in the order of the signatures."""
    query = select(tables.BundleSignatureRow).where(tables.BundleSignatureRow.bundle_sha256 == bundle_sha256)
    return tuple(map(to_signature, orm.scalars(query.order_by(tables.BundleSignatureRow.signature))))


def to_signature(row: tables.BundleSignatureRow) -> BundleSignature:
    """The record, its hash checked again."""
    check_row(row, f"signature of bundle {row.bundle_sha256[:ID_DIGITS]}")
    return BundleSignature(row.keyid, row.signature)
