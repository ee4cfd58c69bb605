-- issued: the budget that was issued for a season, if any. Parameters: season_id.
select
    as_of_date,
    winters_n,
    seed_no,
    method_version,
    weather_name
from issued_budgets
where season_id = $season_id
