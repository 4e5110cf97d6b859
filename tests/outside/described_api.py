"""Asks the API what its own description promises, with schemathesis: requests that the description allows and
requests that it forbids, as each role. Every answer must be one that is described, in form and status; nothing
may end in a 5xx, and nothing that the description forbids may be taken.

schemathesis is kept on PyPI (schemathesis.io); the description is OpenAPI 3.1. Run by tests/run, which names the
built program in FLEECEFOLD_BIN; by hand, for longer:
FLEECEFOLD_BIN=target/debug/fleecefold DESCRIBED_API_SECONDS=300 python tests/outside/described_api.py
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

# For all roles together: short compared with other checks; a longer one is run by hand.
SECONDS = int(os.environ.get("DESCRIBED_API_SECONDS", "36"))
SEED = os.environ.get("DESCRIBED_API_SEED", "20261129")
ROLES = ["owner", "maker", "counter"]

# A body may have the right form and still be refused for its contents: a code that no item has, a sum that does
# not add up. The description lists these answers; which request gets which does not depend on form.
SETTINGS = """
[checks.positive_data_acceptance]
expected-statuses = ["2xx", "400", "401", "403", "404", "409", "412", "422", "428"]

[checks.negative_data_rejection]
expected-statuses = ["400", "401", "403", "404", "405", "406", "409", "412", "413", "415", "422", "428", "431"]

# RFC 6585, 3: an edit without If-Match is answered 428.
[checks.missing_required_header]
expected-statuses = ["400", "401", "403", "406", "415", "422", "428"]
"""

ITEMS = """name,sku,kind,offers.price,quantity,quantity.unitCode,cost
Ridge beanie,B1,,48.00,,,20
Moor cowl,C1,,60.00,,,
Loom kit,KIT,,35.00,500,,15
Grey roving,ROV,,3.25,4000,ONZ,1
"""


def main() -> int:
    program = str(Path(os.environ["FLEECEFOLD_BIN"]).resolve())
    with tempfile.TemporaryDirectory() as folder:

        def run(*arguments: str) -> str:
            done = subprocess.run([program, *arguments], cwd=folder, check=True, capture_output=True, text=True)
            return done.stdout.strip()

        Path(folder, "items.csv").write_text(ITEMS)
        Path(folder, "schemathesis.toml").write_text(SETTINGS)
        run("add", "items", "items.csv")
        tokens = {role: run("token", "add", f"{role} of the check", "--role", role) for role in ROLES}
        log = Path(folder, "serve.log").open("w+")
        server = subprocess.Popen(
            [program, "serve", "--listen", "127.0.0.1:0"], cwd=folder, stdout=log, stderr=subprocess.PIPE, text=True
        )
        try:
            address = None
            for line in server.stderr:
                if found := re.search(r"http://127\.0\.0\.1:\d+", line):
                    address = found.group()
                    break
            assert address, "the program said no address"
            # Further output must not fill the pipe.
            drain = subprocess.Popen(["cat"], stdin=server.stderr, stdout=subprocess.DEVNULL)
            failed = [role for role in ROLES if ask(folder, address, role, tokens[role]) != 0]
            drain.kill()
        finally:
            server.terminate()
            server.wait(timeout=30)
        run("check")
    if failed:
        print(f"not as described: {', '.join(failed)}")
        return 1
    print(f"as described, asked for {SECONDS} s as {', '.join(ROLES)}")
    return 0


def ask(folder: str, address: str, role: str, token: str) -> int:
    """Runs schemathesis as one role for its share of the time."""
    print(f"-- {role}", flush=True)
    command = [
        str(Path(sys.executable).with_name("schemathesis")),
        "--config-file", "schemathesis.toml", "--no-color",
        "run", f"{address}/api/openapi.json",
        "--header", f"Authorization: Bearer {token}",
        "--checks", "all", "--seed", SEED, "--max-time", str(SECONDS // len(ROLES)),
        "--continue-on-failure", "--suppress-health-check", "all", "--warnings", "off",
        "--generation-database", "none",
    ]
    return subprocess.run(command, cwd=folder, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
