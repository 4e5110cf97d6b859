// Where a test's shop is kept: a file, or a database of its own on the scratch PostgreSQL.

import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";

let made = 0;

/** The engines to test on: PostgreSQL if FLEECEFOLD_TEST_PG names one. */
export function engines() {
  return process.env.FLEECEFOLD_TEST_PG ? ["SQLite", "PostgreSQL"] : ["SQLite"];
}

function psql(statement) {
  const server = process.env.FLEECEFOLD_TEST_PG ?? "";
  const ran = spawnSync("psql", ["-X", "-q", "-d", server, "-c", statement], { encoding: "utf8" });
  if (ran.status !== 0) throw new Error(`${statement}: ${ran.stderr ?? ran.error}`);
}

/** An empty place, with a folder for files; `remove` takes both away. */
export function place(engine) {
  const folder = mkdtempSync(path.join(tmpdir(), "fleecefold-browser."));
  const clear = () => rmSync(folder, { recursive: true, force: true });
  if (engine !== "PostgreSQL") return { url: `sqlite:${path.join(folder, "shop.db")}`, folder, remove: clear };
  const name = `browser_${process.pid}_${(made += 1)}`;
  psql(`CREATE DATABASE ${name}`);
  const url = new URL(process.env.FLEECEFOLD_TEST_PG ?? "");
  url.pathname = `/${name}`;
  const remove = () => {
    psql(`DROP DATABASE ${name} WITH (FORCE)`);
    clear();
  };
  return { url: url.href, folder, remove };
}
