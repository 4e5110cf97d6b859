// The place of a test's shop: a file, or its own database on the temporary PostgreSQL.

import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";

let made = 0;

/** The engines to test on: PostgreSQL if FLEECEFOLD_TEST_PG names one. */
export function engines() {
  return process.env.FLEECEFOLD_TEST_PG ? ["SQLite", "PostgreSQL"] : ["SQLite"];
}

function psql(statement, server = process.env.FLEECEFOLD_TEST_PG ?? "") {
  const ran = spawnSync("psql", ["-X", "-q", "-d", server, "-c", statement], { encoding: "utf8" });
  if (ran.status !== 0) throw new Error(`${statement}: ${ran.stderr ?? ran.error}`);
}

/** Runs one statement on a SQLite file that a program has open. */
function sqlite(file, statement) {
  const ran = spawnSync("sqlite3", ["-batch", "-bail", "-cmd", ".timeout 5000", file, statement], { encoding: "utf8" });
  if (ran.status !== 0) throw new Error(`${statement}: ${ran.stderr ?? ran.error}`);
}

/** An empty place, with a folder for files; `remove` deletes both, and `sql` runs a statement in it. */
export function place(engine) {
  const folder = mkdtempSync(path.join(tmpdir(), "fleecefold-browser."));
  const clear = () => rmSync(folder, { recursive: true, force: true });
  if (engine !== "PostgreSQL") {
    const file = path.join(folder, "shop.db");
    return { url: `sqlite:${file}`, folder, remove: clear, sql: (statement) => sqlite(file, statement) };
  }
  const name = `browser_${process.pid}_${(made += 1)}`;
  psql(`CREATE DATABASE ${name}`);
  const url = new URL(process.env.FLEECEFOLD_TEST_PG ?? "");
  url.pathname = `/${name}`;
  const remove = () => {
    psql(`DROP DATABASE ${name} WITH (FORCE)`);
    clear();
  };
  return { url: url.href, folder, remove, sql: (statement) => psql(statement, url.href) };
}
