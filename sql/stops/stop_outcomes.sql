-- stop_outcomes: one row per DC stop seen in the samples: grade, outcome and why (method,
-- sections 2 and 4).
-- Inputs: stop_facts, vehicle_settings.
-- Parameters: warming_min_kwh; edge_min (how near to an edge of the lead window counts as at
-- it); approach_short_min; drive_heat_median_kelvin_per_h, drive_heat_max_kelvin_per_h,
-- rise_margin_kelvin and rise_resolution_kelvin (grade B: by how much driving alone warms a pack).
-- The temperature the pack would have had without warming is here the one at which warming began;
-- where a thermal model has been learned, that decides at last (stage minutes), from the columns
-- not_warmed_outcome and not_warmed_why: what the stop was if nothing warmed.
with graded as (
    select
        f.*,
        v.warm_threshold_degc,
        v.warm_threshold_degc - v.warm_tolerance_kelvin as warm_from_degc,
        v.warming_cutoff_soc_pct,
        v.min_lead_min,
        v.can_warm,
        f.arrival_cell_temp_min_degc - f.lead_cell_temp_min_degc as lead_rise_kelvin,
        case
            when not f.has_power or f.soc_start_pct is null then 'C'
            when f.arrival_cell_temp_min_degc is null then 'C'
            when f.has_heater_signal then 'A'
            else 'B'
        end as evidence_grade
    from stop_facts as f
    inner join vehicle_settings as v on f.vehicle_id = v.vehicle_id
    where f.mode = 'dc'
),

warmed as (
    select
        *,
        arrival_cell_temp_min_degc < warm_from_degc as is_cold,
        case
            when evidence_grade = 'A' then coalesce(warming_kwh, 0) >= $warming_min_kwh
            when evidence_grade = 'B' and lead_rise_kelvin is null and approach_min < 1 then false
            when
                evidence_grade = 'B'
                and lead_rise_kelvin
                >= $drive_heat_max_kelvin_per_h * lead_min / 60 + $rise_margin_kelvin
                then true
            when
                evidence_grade = 'B'
                and lead_rise_kelvin <= greatest(
                    $rise_resolution_kelvin, $drive_heat_median_kelvin_per_h * lead_min / 60
                )
                then false
        end as has_warming
    from graded
),

temperatures as (
    select
        *,
        case
            when not has_warming then arrival_cell_temp_min_degc
            when evidence_grade = 'A' then began_cell_temp_min_degc
            else lead_cell_temp_min_degc
        end as unwarmed_cell_temp_min_degc
    from warmed
),

if_not_warmed as (
    select
        *,
        case
            when
                destination_kind = 'charging_place'
                and destination_set_at < plug_in_at
                and chance_soc_max_pct <= warming_cutoff_soc_pct
                then 'low_charge_hold'
            else 'not_warmed'
        end as not_warmed_outcome
    from temperatures
),

reasons as (
    select
        *,
        case
            when not_warmed_outcome != 'not_warmed' then null
            when not can_warm then 'vehicle_cannot_warm'
            when approach_min < $approach_short_min then 'approach_too_short'
            when destination_kind is null then 'no_evidence'
            when destination_kind = 'none' then 'no_destination'
            when destination_kind = 'other_place' then 'destination_not_recognised'
            when epoch(plug_in_at - destination_set_at) / 60 < min_lead_min then 'set_too_late'
            when coalesce(chance_min, 0) < min_lead_min then 'no_evidence'
            else 'vehicle_did_not_respond'
        end as not_warmed_why
    from if_not_warmed
),

outcomes as (
    select
        *,
        case
            when evidence_grade not in ('A', 'B') then 'unknown'
            when not is_approach_covered then 'unknown'
            when has_warming is null then 'unknown'
            when has_warming and is_cold then 'part_warmed'
            when has_warming and unwarmed_cell_temp_min_degc is null then 'unknown'
            when has_warming and unwarmed_cell_temp_min_degc < warm_from_degc then 'warmed'
            when has_warming then 'warmed_unneeded'
            when not is_cold then 'already_warm'
            else not_warmed_outcome
        end as outcome
    from reasons
)

select
    *,
    case
        when outcome = 'unknown' and evidence_grade = 'C' and not has_power then 'no_power'
        when outcome = 'unknown' and evidence_grade = 'C' and soc_start_pct is null then 'no_soc'
        when outcome = 'unknown' and evidence_grade = 'C' then 'no_cell_temperature'
        when outcome = 'unknown' and not is_approach_covered then 'approach_not_covered'
        when outcome = 'unknown' and has_warming is null then 'rise_not_distinct'
        when outcome = 'unknown' then 'no_temperature_at_start'
        when outcome = 'part_warmed' and evidence_grade = 'B' then 'no_evidence'
        when
            outcome = 'part_warmed'
            and warming_ended_at < plug_in_at - to_seconds($edge_min * 60)
            then
                case
                    when soc_start_pct <= warming_cutoff_soc_pct + 1 then 'cut_off_low_charge'
                    else 'ended_early'
                end
        when
            outcome = 'part_warmed'
            and warming_began_at <= lead_start_at + to_seconds($edge_min * 60)
            then 'too_cold_for_the_time'
        when outcome = 'part_warmed' then 'began_late'
        when outcome = 'not_warmed' then not_warmed_why
    end as why
from outcomes
