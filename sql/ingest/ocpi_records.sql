-- One row per OCPI charge detail record of a JSON file, in file order. A document may be one
-- record, a list of them, or the envelope of a response with one or many under its key data.
-- Parameters: path; format (array, newline_delimited or unstructured); object_bytes, the largest
-- object read.
-- Energy of the periods is what their ENERGY dimensions add up to; highest power is that of
-- MAX_POWER. A cost is the Price of 2.2.1 (excl_vat), of 2.3.0 (before_taxes), or a bare number.
with documents as (
    select json as document
    from
        read_json(
            $path,
            format = $format,
            records = false,
            columns = { json: 'JSON' },
            maximum_object_size = $object_bytes
        )
),

listed as (
    select
        unnest(
            case json_type(document, '$.data')
                when 'ARRAY' then json_extract(document, '$.data[*]')
                when 'OBJECT' then [json_extract(document, '$.data')]
                else [document]
            end
        ) as record
    from documents
),

cut as (
    select
        json_extract_string(
            record,
            [
                '$.start_date_time',
                '$.end_date_time',
                '$.total_energy',
                '$.total_time',
                '$.total_parking_time',
                '$.total_cost',
                '$.total_cost.excl_vat',
                '$.total_cost.before_taxes',
                '$.currency',
                '$.country_code',
                '$.party_id',
                '$.id',
                '$.credit',
                '$.credit_reference_id',
                '$.cdr_token.uid',
                '$.cdr_token.contract_id',
                '$.cdr_location.id',
                '$.cdr_location.name',
                '$.cdr_location.evse_uid',
                '$.cdr_location.evse_id',
                '$.cdr_location.connector_power_type',
                '$.cdr_location.coordinates.latitude',
                '$.cdr_location.coordinates.longitude'
            ]
        ) as c,
        json_type(record) as record_type,
        coalesce(json_keys(record), []) as keys,
        coalesce(json_extract(record, '$.charging_periods[*].dimensions[*]'), []) as dimensions
    from listed
),

sorted as (
    select
        *,
        list_filter(
            list_transform(
                list_filter(dimensions, lambda d: (d ->> '$.type') = 'ENERGY'),
                lambda d: try_cast(d ->> '$.volume' as double)
            ),
            lambda volume: isfinite(volume)
        ) as energies,
        list_filter(
            list_transform(
                list_filter(dimensions, lambda d: (d ->> '$.type') = 'MAX_POWER'),
                lambda d: try_cast(d ->> '$.volume' as double)
            ),
            lambda volume: isfinite(volume)
        ) as powers
    from cut
)

select
    record_type,
    keys,
    c[1] as start_date_time,
    c[2] as end_date_time,
    c[3] as total_energy,
    c[4] as total_time,
    c[5] as total_parking_time,
    coalesce(c[8], c[7], case when not starts_with(c[6], '{') then c[6] end) as total_cost,
    c[9] as currency,
    concat_ws('*', c[10], c[11], c[12]) as id,
    c[12] as own_id,
    c[13] as credit,
    c[14] as credit_reference_id,
    c[15] as cdr_token_uid,
    c[16] as cdr_token_contract_id,
    c[17] as cdr_location_id,
    c[18] as cdr_location_name,
    c[19] as cdr_location_evse_uid,
    c[20] as cdr_location_evse_id,
    c[21] as cdr_location_connector_power_type,
    c[22] as cdr_location_coordinates_latitude,
    c[23] as cdr_location_coordinates_longitude,
    list_sum(energies) as periods_energy_kwh,
    list_max(powers) as max_power
from sorted
