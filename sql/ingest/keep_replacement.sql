-- Keeps that one export replaces another. Parameters: old_path, new_path, is_whole, said_at.
insert or replace into replacements (old_path, new_path, is_whole, said_at)
values ($old_path, $new_path, $is_whole, $said_at)
