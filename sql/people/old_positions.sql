-- Removes where vehicles drove; the positions of charges stay, because sites are found by them.
-- Input: charge_sessions. Parameters: positions_before_at.
update samples
set
    latitude_deg = null,
    longitude_deg = null
where
    sampled_at < $positions_before_at
    and latitude_deg is not null
    and not exists (
        select 1
        from charge_sessions as c
        where
            c.vehicle_id = samples.vehicle_id
            and c.plug_in_at <= samples.sampled_at
            and c.plug_out_at >= samples.sampled_at
    )
