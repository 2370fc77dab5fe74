"""What a token must allow for an object of a kind to be written."""

from __future__ import annotations

from collections.abc import Mapping

from dataset.exchange.objects import KINDS
from dataset.words import Scope

_AMEND = ("retirement", "void", "amendment", "mark revision", "unit union", "status")
_MADE = ("frozen set", "opening", "model", "board measurement")  # by jobs on the server too

# one of these is enough
SCOPES: Mapping[str, tuple[Scope, ...]] = {
    **dict.fromkeys(KINDS, (Scope.PUSH,)),
    **dict.fromkeys(_AMEND, (Scope.AMEND,)),
    **dict.fromkeys(_MADE, (Scope.PUSH, Scope.RUN)),
    "bundle": (Scope.PUSH, Scope.RUN, Scope.RELEASE),
    "sign-off": (Scope.SIGN,),
    # what stores do not exchange
    "bundle signature": (Scope.RELEASE, Scope.SIGN),
    "channel move": (Scope.RELEASE,),
    "withdrawal": (Scope.RELEASE,),
    "token": (Scope.ADMIN,),
    "revocation": (Scope.ADMIN,),
    "job": (Scope.RUN,),
    "job cancel": (Scope.RUN,),
}
