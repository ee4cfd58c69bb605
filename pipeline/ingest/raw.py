"""What is kept of a row set aside: the mapped cells as exported, as one JSON object."""

from __future__ import annotations

import polars as pl

from pipeline.ingest.checks import written

CELL = "cell:"
"""Prefix of the columns of an export, so that none can collide with a name of ours."""

VEHICLE = "coldminutes_vehicle"
"""Column for a vehicle that the file as a whole is about; cells do not tell it."""

MAX_RAW_CHARS = 4000


class RawRows:
    """The batches of one file as far as their rows are not judged yet."""

    def __init__(self) -> None:
        self._batches: list[tuple[pl.DataFrame, str | None]] = []

    def add(self, cells: pl.DataFrame, vehicle: str | None, still_open: pl.Series | None) -> None:
        """Remember one batch; of those before, only the rows of the file still to be judged."""
        kept = []
        if still_open is not None:
            for earlier, earlier_vehicle in self._batches:
                rows = earlier.filter(pl.col("file_row").is_in(still_open.implode()))
                if rows.height:
                    kept.append((rows, earlier_vehicle))
        self._batches = [*kept, (cells, vehicle)]

    def of(self, file_rows: pl.Series) -> pl.DataFrame:
        """``file_row`` and ``raw_row``, null where it would be longer than is kept."""
        wanted = pl.DataFrame({"file_row": file_rows})
        found = [
            _encoded(cells.filter(pl.col("file_row").is_in(file_rows.implode())), vehicle)
            for cells, vehicle in self._batches
            if "file_row" in cells.columns
        ]
        schema = {"file_row": pl.Int64, "raw_row": pl.String}
        every = pl.concat([pl.DataFrame(schema=schema), *found]).unique("file_row", keep="last")
        return wanted.join(every, on="file_row", how="left", maintain_order="left")


def _encoded(cells: pl.DataFrame, vehicle: str | None) -> pl.DataFrame:
    own = {} if vehicle is None else {VEHICLE: pl.lit(vehicle)}
    columns = [
        written(cells[name]).alias(name.removeprefix(CELL))
        for name in cells.columns
        if name.startswith(CELL)
    ]
    text = pl.struct(pl.all()).struct.json_encode()
    return (
        pl.DataFrame(columns)
        .with_columns(**own)
        .select(raw_row=pl.when(text.str.len_chars() <= MAX_RAW_CHARS).then(text))
        .select(file_row=cells["file_row"].cast(pl.Int64), raw_row="raw_row")
    )
