"""Row locks of the devices, each with a name. All are FOR NO KEY UPDATE.

Order: laser model, line, laser, handpiece, credential, resource. A pulse entry, a fitting, a
lock-out and a move all lock the laser first, so that what one of them checked still holds when it
writes. Resources come last because a booking locks nothing but them.
"""

from collections.abc import Iterable
from typing import Any

from django.db.models import QuerySet

from clinics.models import Credential
from clinics.querysets import HasChain
from core.db import lock_rows
from core.errors import NotFound
from devices.errors import (
    CredentialUnknown,
    FittingUnknown,
    HandpieceUnknown,
    LaserModelUnknown,
    LaserUnknown,
    LineUnknown,
    LockOutUnknown,
)
from devices.models import EmissionLine, Fitting, Handpiece, Laser, LaserModel, LockOut


def lock_laser_model(*, pk: int, actor: HasChain) -> LaserModel:
    """A laser model of the actor's chain, locked. Raises LaserModelUnknown."""
    model: LaserModel = _one(LaserModel.objects.visible_to(actor).filter(pk=pk), LaserModelUnknown)
    return model


def lock_line(*, pk: int, actor: HasChain) -> EmissionLine:
    """An emission line of the actor's chain, locked. Raises LineUnknown."""
    line: EmissionLine = _one(EmissionLine.objects.visible_to(actor).filter(pk=pk), LineUnknown)
    return line


def lock_lines(ids: Iterable[int], *, actor: HasChain) -> list[EmissionLine]:
    """These lines, locked in the order of their ids. Raises LineUnknown naming those missing."""
    wanted = set(ids)
    rows = lock_rows(EmissionLine.objects.visible_to(actor).filter(pk__in=wanted))
    if missing := wanted - {row.pk for row in rows}:
        raise LineUnknown(lines=sorted(missing))
    return rows


def lock_laser(*, pk: int, actor: HasChain) -> Laser:
    """A laser of the actor's chain, locked. Raises LaserUnknown."""
    laser: Laser = _one(Laser.objects.visible_to(actor).filter(pk=pk), LaserUnknown)
    return laser


def lock_handpiece(*, pk: int, actor: HasChain) -> Handpiece:
    """A handpiece of the actor's chain, locked. Raises HandpieceUnknown.

    Whatever fits it, takes it off or fires through it holds this lock, so its fittings and its
    ledger stand still meanwhile.
    """
    handpiece: Handpiece = _one(Handpiece.objects.visible_to(actor).filter(pk=pk), HandpieceUnknown)
    return handpiece


def lock_handpieces(ids: Iterable[int]) -> list[Handpiece]:
    """These handpieces, locked in the order of their ids."""
    return lock_rows(Handpiece.objects.filter(pk__in=set(ids)))


def lock_fitting(*, pk: int, actor: HasChain) -> Fitting:
    """A fitting, locked, with its laser and handpiece. Raises FittingUnknown.

    The laser and the handpiece are locked before it: the row itself comes last.
    """
    found = Fitting.objects.visible_to(actor).filter(pk=pk).values_list("laser", "handpiece")
    for laser_id, handpiece_id in found:
        lock_laser(pk=laser_id, actor=actor)
        lock_handpiece(pk=handpiece_id, actor=actor)
        rows = Fitting.objects.select_related("laser", "handpiece")
        fitting: Fitting = _one(rows.filter(pk=pk), FittingUnknown)
        return fitting
    raise FittingUnknown


def lock_lock_out(*, pk: int, actor: HasChain) -> LockOut:
    """A lock-out, locked, after its laser. Raises LockOutUnknown."""
    found = LockOut.objects.visible_to(actor).filter(pk=pk).values_list("laser", flat=True)
    for laser_id in found:
        lock_laser(pk=laser_id, actor=actor)
        rows = LockOut.objects.select_related("laser")
        lock_out: LockOut = _one(rows.filter(pk=pk), LockOutUnknown)
        return lock_out
    raise LockOutUnknown


def lock_credential(*, pk: int, actor: HasChain) -> Credential:
    """A credential of the actor's staff, locked. Raises CredentialUnknown."""
    credential: Credential = _one(
        Credential.objects.visible_to(actor).filter(pk=pk), CredentialUnknown
    )
    return credential


def _one(rows: QuerySet[Any], unknown: type[NotFound]) -> Any:
    for row in lock_rows(rows):
        return row
    raise unknown
