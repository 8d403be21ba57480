"""Whether everyone in the room can be protected from everything that the laser emits."""

from collections.abc import Iterator

from courses.selectors.precheck.context import Context
from courses.selectors.precheck.findings import Finding, failed, passed, warned
from devices.vocabulary import EyewearCheck


def eyewear_findings(context: Context) -> Iterator[Finding]:
    """Fitting eyewear for the operator, the others and the patient, line by line."""
    standing = context.eyewear
    if standing is None:
        return
    tell = failed if standing.policy.at_session == EyewearCheck.REFUSE else warned
    for lacking in standing.check.lacking:
        yield tell(
            "eyewear_fits",
            lacking.text,
            pointer="/room",
            wavelength_nm=lacking.fit.firing.fired_nm,
            lacking_nm=list(lacking.wavelengths_nm),
            needed=list(lacking.needed),
            fitting=[one.label for one in lacking.fit.pairs],
        )
    short = {lacking.fit.firing for lacking in standing.check.lacking}
    for fit in standing.check.fits:
        if fit.firing not in short:
            yield passed(
                "eyewear_fits",
                pointer="/room",
                wavelength_nm=fit.firing.fired_nm,
                emitted_nm=list(fit.firing.emitted_nm),
                fitting=[one.label for one in (*fit.pairs, *fit.shields)],
            )
