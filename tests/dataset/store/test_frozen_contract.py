"""What every store does with frozen sets, and with the models and exports that rest on them.

The fixture ``store`` says which stores those are.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from stores import ROLES, behind, model_of, unguarded

from dataset.errors import InputError, NotFoundError, StoreError
from dataset.records import (
    Budget,
    GroupBy,
    Limit,
    Limits,
    Mark,
    Role,
    Unit,
)
from dataset.store import Store
from dataset.store.places import Address

Register = Callable[[Store], Any]


@pytest.mark.longer
def test_freezing(store: Store, register: Register) -> None:
    """A frozen set comes back with hash, roles sorted by group, and sessions; its name is
    taken for good.
    """
    bench = register(store)
    added = store.add_sessions([bench.session(k) for k in (1, 2)])
    frozen = store.freeze("set", added, GroupBy.LEVEL, {"25": Role.PROVE, "15": Role.FIT}, seed=4)
    assert frozen.roles == (("15", Role.FIT), ("25", Role.PROVE))
    assert sorted(s.id for s in frozen.sessions) == sorted(s.id for s in added)
    assert frozen.seed == 4
    assert store.frozen_set("set") == frozen == store.frozen_sets()[0]
    with pytest.raises(InputError, match="never change"):
        store.freeze("set", added, GroupBy.LEVEL, ROLES)


@pytest.mark.longer
def test_the_name_is_not_in_the_hash(store: Store, register: Register) -> None:
    """The same choice under another name, seed and order of sessions has the same hash and the same rows;
    another role has not.
    """
    bench = register(store)
    added = store.add_sessions([bench.session(k) for k in (1, 2, 3)])
    one = store.freeze("one", added, GroupBy.LEVEL, ROLES)
    two = store.freeze("two", added[::-1], GroupBy.LEVEL, ROLES, seed=1)
    three = store.freeze("three", added, GroupBy.LEVEL, {"15": Role.PROVE, "25": Role.FIT})
    assert one.sha256 == two.sha256 != three.sha256
    np.testing.assert_array_equal(store.frozen_data(one).counts, store.frozen_data(two).counts)


@pytest.mark.longer
def test_groups_without_a_role_or_without_frames(store: Store, register: Register) -> None:
    """Every group needs a role and every role a group; sessions without a labelled frame are refused."""
    bench = register(store)
    labelled, bare = store.add_sessions([bench.session(1), bench.session(2, ())])
    with pytest.raises(InputError, match="no role for group 25"):
        store.freeze("set", [labelled], GroupBy.LEVEL, {"15": Role.FIT})
    with pytest.raises(InputError, match="no group is called '35'"):
        store.freeze("set", [labelled], GroupBy.LEVEL, ROLES | {"35": Role.FIT})
    with pytest.raises(InputError, match="no labelled frame"):
        store.freeze("set", [labelled, bare], GroupBy.LEVEL, ROLES)
    with pytest.raises(InputError, match="named twice"):
        store.freeze("set", [labelled, labelled.id], GroupBy.LEVEL, ROLES)
    with pytest.raises(InputError, match="no sessions"):
        store.freeze("set", [], GroupBy.LEVEL, ROLES)
    assert store.frozen_sets() == ()


@pytest.mark.longer
def test_frozen_data(store: Store, register: Register) -> None:
    """Only labelled frames come, each with its level, uncertainty, session and group, as a loop over the
    marks finds them.
    """
    bench = register(store)
    store.add_unit(Unit("unit2"))
    added = store.add_sessions(
        [
            bench.session(1),
            bench.session(2, (Mark(5, 8, 25.0), Mark(8, 9, 0.0)), unit=store.unit("unit2")),
        ]
    )
    frozen = store.freeze("set", added, GroupBy.UNIT, {"unit1": Role.FIT, "unit2": Role.PROVE})
    data = store.frozen_data(frozen)
    expected = []
    for k, session in enumerate(frozen.sessions):
        its = store.frames(session)
        for m in session.marks:
            expected += [
                (k, session.unit.name, its.t_ms[row], *its.counts[row], m.level_mm)
                for row in range(m.start, m.stop)
            ]
    found = [
        (s, frozen.roles[g][0], t, *c, level)
        for s, g, t, c, level in zip(
            data.session, data.group, data.t_ms, data.counts, data.level_mm, strict=True
        )
    ]
    assert found == expected
    assert len(found) == 28 + 4
    assert data.counts.dtype == data.t_ms.dtype == data.group.dtype == np.int64
    assert np.isnan(data.temperature_c).all()
    assert np.nansum(data.u_mm) == 5.0  # ten frames of 0.5 mm, the others unknown
    assert int(data.rows(Role.FIT).sum()) == 28


@pytest.mark.longer
def test_frozen_data_of_a_voided_session(store: Store, register: Register) -> None:
    """A set whose session was voided since still shows, but gives no rows."""
    bench = register(store)
    (session,) = store.add_sessions([bench.session(1)])
    frozen = store.freeze("set", [session], GroupBy.LEVEL, ROLES)
    store.void(session.id, "wrong liquid")
    assert store.frozen_set("set").sessions[0].void_reason == "wrong liquid"
    with pytest.raises(InputError, match=r"wrong liquid.*new set without it, and train on that"):
        store.frozen_data(frozen)


@pytest.mark.longer
def test_openings_of_prove_are_counted(store: Store, register: Register) -> None:
    """Each opening counts, with its purpose, and for the same choice under another name too."""
    bench = register(store)
    added = store.add_sessions([bench.session(1)])
    one, two = (store.freeze(name, added, GroupBy.LEVEL, ROLES) for name in ("one", "two"))
    other = store.freeze("other", added, GroupBy.SESSION, {added[0].id: Role.PROVE})
    assert store.prove_openings(one) == 0
    assert [store.open_prove(one, "tuning"), store.open_prove(two, "final")] == [1, 2]
    assert (store.prove_openings(one), store.prove_openings(other)) == (2, 0)
    assert (store.prove_purposes(one), store.prove_purposes(two)) == (("tuning",), ("final",))
    with pytest.raises(InputError, match="purpose"):
        store.open_prove(one, "")


@pytest.mark.longer
def test_openings_of_prove_are_a_chain(store: Store, register: Register) -> None:
    """Each follows the one before it, whatever the set's name; another choice has a chain of its own."""
    bench = register(store)
    added = store.add_sessions([bench.session(1)])
    one, two = (store.freeze(name, added, GroupBy.LEVEL, ROLES) for name in ("one", "two"))
    other = store.freeze("other", added, GroupBy.SESSION, {added[0].id: Role.PROVE})
    for frozen in (one, two, other, one):
        store.open_prove(frozen, "final")
    with behind(store) as connection:
        rows = connection.execute("SELECT sha256, parents FROM prove_opening ORDER BY sequence").fetchall()
    hashes = [sha256 for sha256, _ in rows]
    assert [json.loads(parents) for _, parents in rows] == [[], [hashes[0]], [], [hashes[1]]]
    assert len(set(hashes)) == 4


@pytest.mark.longer
@pytest.mark.parametrize(
    ("statement", "read"),
    [
        ("UPDATE model SET metrics = replace(metrics, '0.5', '0.4')", lambda store: store.model("m")),
        ("UPDATE model SET float_onnx = {octets}", lambda store: store.models()),
        ("UPDATE limits SET signer = 'somebody else'", lambda store: store.limits("signed")),
        ("UPDATE limit_row SET bound = 2.0", lambda store: store.limits("signed")),
        ("UPDATE budget SET flash_bytes = 9999", lambda store: store.budget("small")),
    ],
)
def test_what_decisions_rest_on_is_hashed_again(
    store: Store, register: Register, statement: str, read: Callable[[Store], object]
) -> None:
    """A model, limits and a budget that were changed behind the tool's back are refused where they are
    read.
    """
    bench = register(store)
    frozen = store.freeze("set", store.add_sessions([bench.session(1)]), GroupBy.LEVEL, ROLES)
    limits = store.add_limits(Limits("signed", 0, (Limit("rmse_mm", 1.0),)))
    store.add_model(replace(model_of(frozen), limits=limits))
    store.add_budget(Budget("small", "cortex-m0plus", 1, 1536, 64, 128, 2000))
    read(store)
    with unguarded(store) as connection:
        octets = r"'\x0809'" if isinstance(store.place, Address) else "x'0809'"
        connection.execute(statement.format(octets=octets))
    with pytest.raises(StoreError, match="its content hashes to"):
        read(store)


@pytest.mark.longer
def test_models_and_exports(store: Store, register: Register) -> None:
    """A model comes back whole; a file's hash leads to every export of it; the same bundle again changes
    nothing.
    """
    bench = register(store)
    frozen = store.freeze("set", store.add_sessions([bench.session(1)]), GroupBy.LEVEL, ROLES)
    limits = store.add_limits(Limits("signed", 0, (Limit("rmse_mm", 1.0),)))
    model = store.add_model(replace(model_of(frozen), limits=limits))
    assert model == store.model("m") == store.models()[0] == replace(model_of(frozen), limits=limits)
    other = store.add_model(replace(model_of(frozen), name="other"))
    for _ in range(2):
        store.add_export(model, "b" * 64, {"model.c": "c" * 64, "model.h": "d" * 64})
    store.add_export(other, "e" * 64, {"model.c": "c" * 64})
    found = store.exported("C" * 64)
    assert [(f.name, f.bundle_sha256, f.model) for f in found] == [
        ("model.c", "b" * 64, model),
        ("model.c", "e" * 64, other),
    ]
    with pytest.raises(InputError, match="other files"):
        store.add_export(model, "b" * 64, {"model.c": "c" * 64})
    with pytest.raises(NotFoundError, match="not written by an export"):
        store.exported("f" * 64)
    with pytest.raises(InputError, match="64 hexadecimal digits"):
        store.exported("model.c")


@pytest.mark.longer
def test_a_retrained_model_names_its_parent(store: Store, register: Register) -> None:
    """The parent must be there; the seed is the recipe's; models come by name, each with its set."""
    frozen = store.freeze("set", store.add_sessions([register(store).session(1)]), GroupBy.LEVEL, ROLES)
    first = store.add_model(model_of(frozen))
    with pytest.raises(NotFoundError, match="model nobody"):
        store.add_model(replace(first, name="second", parent="nobody"))
    second = store.add_model(replace(first, name="second", parent="m"))
    assert (first.parent, store.model("second").parent, second.seed) == (None, "m", 0)
    assert store.models() == (first, second)


@pytest.mark.longer
def test_model_names_are_taken(store: Store, register: Register) -> None:
    """The same model again and another of its name are both refused, each in its own words; texts must be
    JSON objects.
    """
    bench = register(store)
    frozen = store.freeze("set", store.add_sessions([bench.session(1)]), GroupBy.LEVEL, ROLES)
    model = store.add_model(model_of(frozen))
    with pytest.raises(InputError, match="exactly as it is"):
        store.add_model(model)
    with pytest.raises(InputError, match="another program or recipe"):
        store.add_model(replace(model, recipe='{"seed":1}'))
    with pytest.raises(InputError, match="recipe: not JSON"):
        store.add_model(replace(model, name="x", recipe="seed=1"))
    with pytest.raises(InputError, match="not an object"):
        store.add_model(replace(model, name="x", metrics="[]"))
    with pytest.raises(InputError, match="as the store has it"):
        store.add_model(replace(model, name="x", frozen=replace(frozen, sha256="0" * 64)))
