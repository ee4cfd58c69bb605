-- Keeps what a budget was issued with.
-- Parameters: season_id, as_of_date, winters_n, seed_no, method_version, weather_name.
insert into issued_budgets
values ($season_id, $as_of_date, $winters_n, $seed_no, $method_version, $weather_name)
