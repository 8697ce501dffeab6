"""Leg action: what the front leg does from its contact to release, by the 10 degree rule, and where that is not told."""
from __future__ import annotations

from creaseside.ball import Value

RULE_DEG = 10.0    # Portus et al. 2004: flexes, extends by at least this
SURE_DEG = 4.0     # nearer to it, either is as well the other: of 79 drawn balls 71 % had the action of the truth, of the 33 beyond it 94
                   # (what they flex by is 4.5 degrees off, what they extend by 3.3)


def untold(ffc: Value, smallest: Value, br: Value) -> str | None:
    """Why a front leg's action is not told of a ball, where it is not."""
    if not (ffc and smallest and br):
        return "the front knee was not measured at all three moments"
    nearest = min(abs(one.value - smallest.value - RULE_DEG) for one in (ffc, br))
    return "too near the rule's 10 degrees for how sure the knees are" if nearest < SURE_DEG else None


def of(ffc: Value, smallest: Value, br: Value) -> str | None:
    """Portus et al. 2004: `flexes` at least 10 degrees from contact to the smallest, `extends` at least 10 from there to release."""
    if not (ffc and smallest and br):
        return None
    flexes, extends = ffc.value - smallest.value >= RULE_DEG, br.value - smallest.value >= RULE_DEG
    return {(True, False): "flexor", (True, True): "flexor_extender", (False, True): "extender", (False, False): "constant_brace"}[flexes, extends]
