"""Fair judgement of drivers, vehicles and places: pure maths on plain tables.

Every public function takes the rows of ``sql/judgement/judgement_stops`` (schema in
`pipeline.judgement.tables`) and gives a plain table back; nothing here knows a database, a
document or a person's name. The way of the data: `tables` says which stops count for whom,
`logistic` and `expected` what was to be expected of them, `shrinkage` and `funnel` how far rates
may be read, `findings` whom or what may be named, `causes` and `what_if` what it is worth,
`control` and `effects` whether it changes.
"""
