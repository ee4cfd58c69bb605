-- Writes the scope's rows of doubted_signals. Input: doubt_rows.
insert into doubted_signals (
    vehicle_id, week_id, signal, doubt, evidence_kelvin, evidence_h, evidence_n, from_at, to_at
)
select
    vehicle_id,
    week_id,
    signal,
    doubt,
    evidence_kelvin,
    evidence_h,
    evidence_n,
    from_at,
    to_at
from doubt_rows
