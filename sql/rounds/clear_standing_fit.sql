-- Removes the note of the fit that stood. Inputs: standing_fit. Parameters: none.
delete from standing_fit
