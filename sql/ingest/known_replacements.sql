-- known_replacements: which export replaces which, as the operator said. Parameters: none.
select
    old_path,
    new_path,
    is_whole
from replacements
