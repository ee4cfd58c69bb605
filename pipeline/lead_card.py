"""What hangs in a cab: how long warming takes by outside temperature alone.

A driver knows the air's temperature and where the vehicle stood, not that of the coldest cell. So
the card has two states of the battery: as cold as the air, and as in a hall.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.leadtime import Case, OtherWays, lead_times

OUTDOORS_DEGC = (10.0, 5.0, 0.0, -5.0, -10.0, -15.0)
INDOORS_DEGC = (5.0, -5.0, -15.0)
"""Of the air. What it does on the way to a battery from a hall is little: fewer rows tell it."""


def card_times(case: Case, site_kw: Sequence[float]) -> pl.DataFrame:
    """The rows of `lead_times` that a card shows, one per site power, outside and place parked.

    Parameters
    ----------
    site_kw
        Powers of the chargers in use.

    Returns
    -------
    DataFrame
        The columns of `lead_times`, and ``parked``: ``outdoors`` (the battery as cold as the air,
        which is the worst a night can do) or ``indoors`` (at the temperature of a hall).
    """
    outdoors = [lead_times(case, site_kw, (outside,), (outside,)) for outside in OUTDOORS_DEGC]
    indoors = lead_times(case, site_kw, (OtherWays().indoor_degc,), INDOORS_DEGC)
    return pl.concat(
        [
            pl.concat(outdoors).with_columns(parked=pl.lit("outdoors")),
            indoors.with_columns(parked=pl.lit("indoors")),
        ]
    )
