-- One row per document of a JSON file, in file order: its text as it stands there.
-- Parameters: path; format (array, newline_delimited or unstructured); object_bytes, the largest
-- object read.
select json::varchar as document
from
    read_json(
        $path,
        format = $format,
        records = false,
        columns = { json: 'JSON' },
        maximum_object_size = $object_bytes
    )
