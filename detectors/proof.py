"""Why a vessel counts as shut: what shows that no gas can leave."""

from enum import Enum


class Proof(Enum):
    """Why the vessel counts as shut."""

    SEALED = "the vessel has no valve"
    WORD = "the journal says that the valve is shut"
    CYCLE = "the valve has reseated and the pressure is below where it opens"
    BELOW = "the pressure has not yet reached the valve's setting"
    ABOVE = "the pressure climbs above where the valve used to open"
    COOLED = "cooling has taken the pressure below where the valve opens"
