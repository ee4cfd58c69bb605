"""The winter budget (method, section 8): pure maths on plain tables.

`learn` takes a fleet's tables, `run_budget` simulates a season from what was learned, `backtest`
does both at every month of the history and compares. `pipeline.budget.course` holds a running
season against its budget.
"""

from pipeline.budget.backtest import backtest
from pipeline.budget.given import Given, Learned, learn
from pipeline.budget.run import Budget, run_budget

__all__ = ["Budget", "Given", "Learned", "backtest", "learn", "run_budget"]
