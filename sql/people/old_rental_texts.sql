-- Removes replaced rows of old rentals. Parameters: rentals_before_at.
delete from superseded_rows
where
    kind = 'driver_spans'
    and last_at < $rentals_before_at
    and json_extract_string(row_text, '$.use') = 'rental'
