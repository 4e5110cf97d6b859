"""Shared by the tests of deploy/: temporary folders, the built program, requests, and a table of checks.

FLEECEFOLD_BIN names the built program; without it, target/debug/fleecefold. Everything listens on loopback.
"""

import contextlib
import os
import re
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
PROGRAM = Path(os.environ.get("FLEECEFOLD_BIN", ROOT / "target/debug/fleecefold")).resolve()
# The longest time for anything to start, on two busy cores.
PATIENCE = 60
PASSWORD = "a long word for the trial only"
SITE = "shop.example"


class Failed(Exception):
    """A failed check."""


def expect(what, found, expected):
    """One row of a test."""
    if found != expected:
        raise Failed(f"{what}: {found!r} instead of {expected!r}")
    print(f"  {what}: {found!r}", flush=True)


def run(*command, status=0, env=None, text=None, cwd=None):
    """Runs a command to its end; returns its output and its errors."""
    done = subprocess.run(
        [str(part) for part in command],
        input=text,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, **(env or {})},
        cwd=cwd,
        timeout=600,
    )
    if done.returncode != status:
        raise Failed(f"{' '.join(map(str, command))}: exit {done.returncode}, not {status}\n{done.stdout}")
    return done.stdout


@contextlib.contextmanager
def scratch():
    """A temporary folder."""
    folder = Path(tempfile.mkdtemp(prefix="fleecefold-deploy."))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def free_port():
    """A free port."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def wait_for(what, ready):
    """Asks again until the condition holds."""
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        if (found := ready()) is not None:
            return found
        time.sleep(0.1)
    raise Failed(f"{what} within {PATIENCE} s")


@contextlib.contextmanager
def process(command, log, env=None, cwd=None):
    """A program that runs until the block ends."""
    with open(log, "ab") as out:
        child = subprocess.Popen(
            [str(part) for part in command],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env={**os.environ, **(env or {})},
            cwd=cwd,
        )
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(30)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


@contextlib.contextmanager
def serving(db, folder, *options, env=None):
    """The program on a free port; returns the port."""
    log = folder / "serve.log"
    log.write_bytes(b"")
    command = [PROGRAM, "--db", db, "serve", "--listen", "127.0.0.1:0", *options]
    with process(command, log, env=env, cwd=folder) as child:

        def port():
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", log.read_text())
            if found is None and child.poll() is not None:
                raise Failed(f"the program ended: {log.read_text()}")
            return int(found.group(1)) if found else None

        yield wait_for("the shop is open", port)


def owner(db, **env):
    """Adds the first owner."""
    run(PROGRAM, "--db", db, "user", "add", "Wren", "--role", "owner", text=f"{PASSWORD}\n{PASSWORD}\n", env=env)


def sell(db, port, token, sku, key, base=None, headers=None):
    """Rings up one piece through the API; returns the status."""
    body = (
        f'{{"channel":"store","lines":[{{"sku":"{sku}","quantity":"1"}}],'
        '"tenders":[{"kind":"cash","amount":"500.00"}]}'
    ).encode()
    status, _ = ask(
        f"{base or f'http://127.0.0.1:{port}'}/api/sales",
        body=body,
        headers={
            "Authorization": f"Bearer {token}",
            "Idempotency-Key": key,
            "Content-Type": "application/json",
            **(headers or {}),
        },
    )
    return status


class NoRedirect(urllib.request.HTTPRedirectHandler):
    """Returns redirects instead of following them."""

    def redirect_request(self, *_):
        return None


def ask(url, body=None, headers=None, method=None):
    """One request, without checking the test's certificates. Returns status and body."""
    trusting = ssl.create_default_context()
    trusting.check_hostname = False
    trusting.verify_mode = ssl.CERT_NONE
    opener = urllib.request.build_opener(
        urllib.request.HTTPSHandler(context=trusting), NoRedirect, urllib.request.ProxyHandler({})
    )
    request = urllib.request.Request(url, data=body, headers=headers or {}, method=method)
    try:
        with opener.open(request, timeout=30) as answer:
            return answer.status, answer.read()
    except urllib.error.HTTPError as refused:
        return refused.code, refused.read()


def main(*trials):
    """Runs each test; prints one line each and returns the exit code."""
    failed = 0
    for trial in trials:
        name = f"{Path(sys.argv[0]).stem} {trial.__name__}"
        print(f"-- {name}: {trial.__doc__.splitlines()[0]}", flush=True)
        try:
            trial()
        except (Failed, subprocess.TimeoutExpired, OSError) as wrong:
            failed += 1
            print(f"{wrong}\ndeploy check {name}: FAILED", flush=True)
        else:
            print(f"deploy check {name}: passed", flush=True)
    return 1 if failed else 0
