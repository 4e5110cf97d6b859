-- What was sold stays sold: takes from the program's role the right to change or remove an entry. Run after
-- each `fleecefold upgrade`, as the role that owns the tables; running it again changes nothing.
--
--   psql -v ON_ERROR_STOP=1 -d fleecefold -U fleecefold_owner -f append-only.sql
REVOKE UPDATE, DELETE, TRUNCATE ON
    stock_entry, sale, sale_line, tender, refund, refund_line, return_decision, sale_void, payment, drawer_entry,
    account_entry, activity
FROM fleecefold;
-- Which steps the schema has taken is the owner's to write.
REVOKE INSERT, UPDATE, DELETE, TRUNCATE ON _sqlx_migrations FROM fleecefold;
