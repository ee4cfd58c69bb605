-- Writes the scope's warming spells. Inputs: spell_facts.
insert into approach_spells by name
select * from spell_facts
