-- Whose an id of the other shop's is: given to another listing, it is taken from whoever had it.
CREATE INDEX listing_other ON listing (connection_id, other_id) WHERE other_id <> '';
