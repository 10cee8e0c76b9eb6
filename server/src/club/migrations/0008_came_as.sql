-- Who came to a seat by a key of theirs, as the session's journal says it. The seat is given to them when that is first heard of; what a
-- coach says of it afterwards stands.
ALTER TABLE seat ADD COLUMN came_as TEXT;
CREATE INDEX seat_by_came ON seat (club, came_as) WHERE came_as IS NOT NULL;
