-- Makes room for a new budget of a season. Parameters: season_id.
delete from issued_budgets where season_id = $season_id
