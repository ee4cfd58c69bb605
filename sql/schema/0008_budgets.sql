-- The winter budget as it was issued, so that the season can be held against it, whatever is
-- learned later.

-- One row per season that has a budget.
create table issued_budgets (
    season_id varchar not null, -- first..last month
    as_of_date date not null, -- nothing of this day or later was known
    winters_n integer not null,
    seed_no bigint not null,
    method_version varchar not null,
    weather_name varchar not null -- of the series it was drawn from
);

-- One row per season, scenario, simulated winter, month and quantity: the fleet's sum.
create table issued_budget_draws (
    season_id varchar not null,
    scenario varchar not null,
    winter_no integer not null,
    month_id varchar not null,
    quantity varchar not null,
    drawn_value double not null
);

-- One row per season, scenario, vehicle, month and quantity: the vehicle's part of the mean.
create table issued_budget_vehicles (
    season_id varchar not null,
    scenario varchar not null,
    vehicle_id varchar not null,
    month_id varchar not null,
    quantity varchar not null,
    mean_value double not null
);
