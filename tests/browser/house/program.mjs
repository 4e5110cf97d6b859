// The real program, started as any user starts it, and ended by its process id.

import { spawn, spawnSync } from "node:child_process";
import { existsSync } from "node:fs";
import path from "node:path";
import { fileURLToPath } from "node:url";

/** The root of the source tree. */
export const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), "../../..");
/** How long the program may take to print its address: the demo is created first, and tests build without optimization. */
const PATIENCE_MS = 180_000;
/** How long it may take to stop. */
const LAST_REQUESTS_MS = 15_000;

/** The built program. */
export function binary() {
  const named = process.env.FLEECEFOLD_BIN ?? path.join(ROOT, "target/debug/fleecefold");
  if (!existsSync(named)) throw new Error(`${named} is missing: build it, or run tests/run --only browser`);
  return named;
}

function environment(url) {
  const environment = { ...process.env, FLEECEFOLD_DB: url };
  delete environment.RUST_LOG;
  return environment;
}

/** Runs a command to its end; returns its output. */
export function run(url, words, { cwd, input = "", ends = 0 } = {}) {
  const options = { cwd, input, env: environment(url), encoding: "utf8", timeout: PATIENCE_MS };
  const ran = spawnSync(binary(), words, options);
  if (ran.status !== ends) {
    throw new Error(`fleecefold ${words.join(" ")} ended with ${ran.status ?? ran.signal}: ${ran.stderr}${ran.stdout}`);
  }
  return ran.stdout;
}

/** The running programs; whatever goes wrong, none may outlive the tests. */
const running = new Set();
process.on("exit", () => {
  for (const child of running) child.kill("SIGKILL");
});

/** A serving program, until `close`. */
export class Serving {
  #child;
  said = "";
  address = "";

  /** Starts it, and waits until it prints its address. */
  static async start(url, words, { cwd } = {}) {
    const serving = new Serving();
    const child = spawn(binary(), [...words, "--listen", "127.0.0.1:0"], { cwd, env: environment(url), stdio: ["ignore", "pipe", "pipe"] });
    serving.#child = child;
    running.add(child);
    child.once("exit", () => running.delete(child));
    await new Promise((resolve, reject) => {
      const given = setTimeout(() => reject(new Error(`it did not say where it listens: ${serving.said}`)), PATIENCE_MS);
      const hear = (text) => {
        serving.said += text;
        const found = /http:\/\/127\.0\.0\.1:([1-9]\d*)/.exec(serving.said);
        if (!found || serving.address) return;
        serving.address = found[0];
        clearTimeout(given);
        resolve();
      };
      child.stdout.setEncoding("utf8").on("data", hear);
      child.stderr.setEncoding("utf8").on("data", hear);
      child.once("exit", (code) => {
        clearTimeout(given);
        reject(new Error(`it ended with ${code}: ${serving.said}`));
      });
    });
    return serving;
  }

  /** Stops it normally. */
  async close() {
    const child = this.#child;
    if (child.exitCode !== null || child.signalCode !== null) return;
    const ended = new Promise((resolve) => child.once("exit", resolve));
    child.kill("SIGTERM");
    const late = setTimeout(() => child.kill("SIGKILL"), LAST_REQUESTS_MS);
    await ended;
    clearTimeout(late);
  }
}
