-- Orders of a channel are known by their numbers, so that one shop alone may give them: a second one would
-- change the first one's orders. A connection that was saved before this step says so when it is saved again.
ALTER TABLE connection ADD COLUMN takes_orders BIGINT NOT NULL DEFAULT 0 CHECK (takes_orders IN (0, 1));
CREATE UNIQUE INDEX connection_orders ON connection (channel) WHERE takes_orders = 1 AND ended_ms IS NULL;
