-- One row per record of a JSON file, in file order: the text at each of its paths.
-- Parameters: path; format (array, newline_delimited or unstructured); object_bytes, the largest
-- object read; is_listed, whether the records lie in a list of each document; list_pointer, where;
-- is_list_optional, whether a document without that list is a record itself; pointers and
-- document_pointers (lists of JSON pointers), from the record and from its document.
-- Without the list that should be there, the one row of the document has is_without_list and its
-- keys.
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

typed as (
    select
        document,
        case when $is_listed then json_type(document, $list_pointer) end as list_type
    from documents
),

listed as (
    select
        document,
        $is_listed
        and not $is_list_optional
        and coalesce(list_type not in ('ARRAY', 'OBJECT'), true) as is_without_list,
        unnest(
            case
                when list_type = 'ARRAY'
                    then json_extract(json_extract(document, $list_pointer), '$[*]')
                when list_type = 'OBJECT' then [json_extract(document, $list_pointer)]
                else [document]
            end
        ) as record
    from typed
)

select
    is_without_list,
    case when is_without_list then json_keys(document)[:60] end as document_keys,
    json_extract_string(record, $pointers::varchar[]) as cells,
    json_extract_string(document, $document_pointers::varchar[]) as document_cells
from listed
