-- A database for one shop, and three roles with no more than each needs. Run once, as a superuser:
--
--   sudo -u postgres psql -v ON_ERROR_STOP=1 -f roles.sql
--
--   fleecefold_owner   owns the tables and brings them up to date (`fleecefold upgrade`); not for every day
--   fleecefold         what `fleecefold serve` runs as: reads and writes rows, cannot make, change or drop a table
--   fleecefold_reader  reads alone: backups, reports
--
-- No password is set: over the socket of the same machine PostgreSQL asks the system who it is (peer). From
-- another machine give each role a password (\password fleecefold) and let pg_hba.conf ask for scram-sha-256
-- over TLS.
CREATE ROLE fleecefold_owner LOGIN;
CREATE ROLE fleecefold LOGIN;
CREATE ROLE fleecefold_reader LOGIN;

CREATE DATABASE fleecefold OWNER fleecefold_owner ENCODING 'UTF8' TEMPLATE template0;
REVOKE ALL ON DATABASE fleecefold FROM PUBLIC;
GRANT CONNECT ON DATABASE fleecefold TO fleecefold, fleecefold_reader;
-- A program that hangs in a transaction must not hold up the counter for ever.
ALTER ROLE fleecefold SET idle_in_transaction_session_timeout = '60s';
ALTER ROLE fleecefold_reader SET default_transaction_read_only = on;

\connect fleecefold
ALTER SCHEMA public OWNER TO fleecefold_owner;
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO fleecefold, fleecefold_reader;
ALTER DEFAULT PRIVILEGES FOR ROLE fleecefold_owner IN SCHEMA public
    GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO fleecefold;
ALTER DEFAULT PRIVILEGES FOR ROLE fleecefold_owner IN SCHEMA public
    GRANT SELECT ON TABLES TO fleecefold_reader;
