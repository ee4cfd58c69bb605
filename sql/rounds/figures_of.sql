-- figures_of: one row per figure of one edition. Inputs: edition_figures. Parameters: week_id,
-- edition_no.
select
    figure,
    figure_value
from edition_figures
where week_id = $week_id and edition_no = $edition_no
