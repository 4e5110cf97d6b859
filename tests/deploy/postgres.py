"""The roles of PostgreSQL: who may do what. In a temporary cluster, since roles belong to a whole cluster.
By hand: python3 tests/deploy/postgres.py"""

import contextlib
import os
import pwd
import shutil
import sys
from pathlib import Path

from ground import DEPLOY, PROGRAM, ROOT, Failed, expect, free_port, main, owner, run, scratch, sell, serving

APPENDED = ["stock_entry", "sale", "sale_line", "tender", "refund", "payment", "activity"]


def programs():
    """The newest PostgreSQL's own folder."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
    return found[-1]


def as_server(*command):
    """PostgreSQL refuses to run as root; Debian's package brings the user for it."""
    if os.geteuid() == 0:
        command = ["runuser", "-u", "postgres", "--", *command]
    return run(*command, cwd="/")


@contextlib.contextmanager
def cluster():
    """A cluster on a free port, whose superuser is `postgres`."""
    with scratch() as folder:
        data, log, port = folder / "data", folder / "log", free_port()
        if os.geteuid() == 0:
            os.chown(folder, pwd.getpwnam("postgres").pw_uid, -1)
        folder.chmod(0o755)
        as_server(programs() / "initdb", "-D", data, "-U", "postgres", "--auth=trust", "--no-locale", "-E", "UTF8")
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories="
        as_server(programs() / "pg_ctl", "-D", data, "-l", log, "-o", options, "-w", "start")
        try:
            yield port
        finally:
            as_server(programs() / "pg_ctl", "-D", data, "-m", "immediate", "stop")


def sql(port, role, text, status=0, database="fleecefold"):
    """Runs statements as a role."""
    address = ["-h", "127.0.0.1", "-p", str(port), "-U", role, "-d", database]
    return run("psql", *address, "-v", "ON_ERROR_STOP=1", "-qAt", "-c", text, status=status)


def psql_file(port, role, path, database):
    """Runs a file of statements as a role."""
    run("psql", "-h", "127.0.0.1", "-p", port, "-U", role, "-d", database, "-v", "ON_ERROR_STOP=1", "-q", "-f", path)


def least_privileges():
    """The program's role sells, and cannot drop a table or change what was sold; the reader only reads."""
    with cluster() as port, scratch() as folder:
        folder.chmod(0o700)
        address = lambda role: f"postgres://{role}@127.0.0.1:{port}/fleecefold"
        psql_file(port, "postgres", DEPLOY / "postgresql/roles.sql", "postgres")
        said = run(PROGRAM, "--db", address("fleecefold"), "shop", "show", status=1)
        expect("without tables the program's role says what to do", "fleecefold upgrade" in said, True)
        run(PROGRAM, "--db", address("fleecefold_owner"), "upgrade")
        psql_file(port, "fleecefold_owner", DEPLOY / "postgresql/append-only.sql", "fleecefold")
        psql_file(port, "fleecefold_owner", DEPLOY / "postgresql/append-only.sql", "fleecefold")

        db = address("fleecefold")
        run(PROGRAM, "--db", db, "add", "styles", ROOT / "demo/styles.csv")
        run(PROGRAM, "--db", db, "add", "items", ROOT / "demo/items.csv")
        owner(db)
        keys = folder / "keys"
        token = run(PROGRAM, "--db", db, "token", "add", "till", "--role", "owner", "--keys", keys).split()[-1]
        with serving(db, folder, "--keys", keys) as at:
            expect("a sale", sell(db, at, token, "RB-001", "first"), 201)
        for table in APPENDED:
            for text in [f"DELETE FROM {table}", f"TRUNCATE {table}", f"DROP TABLE {table}"]:
                refused(port, "fleecefold", text)
        refused(port, "fleecefold", "UPDATE sale SET id = id")
        refused(port, "fleecefold", "DROP TABLE item")
        refused(port, "fleecefold", "CREATE TABLE mine (id BIGINT)")
        refused(port, "fleecefold", "DELETE FROM _sqlx_migrations")

        backup = folder / "shop.backup"
        run(PROGRAM, "--db", address("fleecefold_reader"), "backup", backup)
        expect("the reader makes a backup", backup.stat().st_size > 10_000, True)
        run(PROGRAM, "--db", address("fleecefold_reader"), "check")
        refused(port, "fleecefold_reader", "INSERT INTO channel SELECT * FROM channel", "read-only|denied")
        shutil.rmtree(folder / "images", ignore_errors=True)


def refused(port, role, text, words="permission denied|must be owner"):
    """What a role must not do."""
    said = sql(port, role, text, status=1)
    if not any(word in said for word in words.split("|")):
        raise Failed(f"{role}: {text}: {said}")
    print(f"  {role} may not: {text}", flush=True)


if __name__ == "__main__":
    sys.exit(main(least_privileges))
