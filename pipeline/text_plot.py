"""A plot of plain characters, for a terminal of 72 columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

WIDTH_N = 72
LEFT_N = 12
ROWS_N = 10

Marks = tuple[str, Sequence[float], Sequence[float]]
"""A character, and the points it marks: across and up."""


def text_plot(marks: Sequence[Marks], up_label: str, across_label: str, key: str) -> Iterator[str]:
    """Lines of a plot from 0 upwards; later marks cover earlier ones.

    Examples
    --------
    >>> lines = list(text_plot([("*", [0.0, 100.0], [0.0, 50.0])], "kW", "SOC %", ""))
    >>> max(len(line) for line in lines) <= 72
    True
    >>> lines[1].endswith("*")
    True
    """
    across = [x for _, xs, _ in marks for x in xs]
    up = [y for _, _, ys in marks for y in ys]
    if not across:
        return
    low, high = min(across), max(across)
    top = max(*up, 0.0) or 1.0
    width_n = WIDTH_N - LEFT_N
    grid = [[" "] * width_n for _ in range(ROWS_N)]
    for letter, xs, ys in marks:
        for x, y in zip(xs, ys, strict=True):
            column = round((x - low) / ((high - low) or 1.0) * (width_n - 1))
            line = ROWS_N - 1 - round(min(max(y, 0.0) / top, 1.0) * (ROWS_N - 1))
            grid[line][column] = letter
    yield f"    {up_label}" + (f"   {key}" if key else "")
    for number, cells in enumerate(grid):
        value = top * (ROWS_N - 1 - number) / (ROWS_N - 1)
        label = f"{value:.{_digits(top)}f}" if number % 3 == 0 else ""
        yield f"{label:>{LEFT_N - 2}} |{''.join(cells)}".rstrip()
    yield " " * (LEFT_N - 1) + "+" + "-" * width_n
    ends = f"{low:g}", f"{high:g}"
    room = width_n - len(ends[0]) - len(ends[1])
    yield " " * LEFT_N + ends[0] + f"{across_label:^{room}}" + ends[1]


def _digits(top: float) -> int:
    return 2 if top < 10 else 0
