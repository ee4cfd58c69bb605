-- Records what an edition said. Inputs: fresh_figures. Parameters: week_id, edition_no.
insert into edition_figures
select
    $week_id as week_id,
    $edition_no as edition_no,
    figure,
    figure_value
from fresh_figures
