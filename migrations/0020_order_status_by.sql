-- Who said what an order is that came with an unknown status; empty once the online shop has said it itself.
ALTER TABLE customer_order ADD COLUMN status_by TEXT NOT NULL DEFAULT '';
