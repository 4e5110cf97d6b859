"""An upgrade, and going back. By hand: python3 tests/deploy/upgrade.py"""

import os
import shutil
import sys

from ground import DEPLOY, PROGRAM, ROOT, Failed, expect, main, run, scratch

UPGRADE = DEPLOY / "bin/fleecefold-upgrade"
# Reports starts and stops, in place of systemctl.
SERVICE = '#!/bin/sh\nprintf "%s\\n" "$1" >>"$0.log"\n'
# A program that runs but cannot bring the shop up to date.
BROKEN = '#!/bin/sh\n[ "$1" = --version ] && exit 0\nexit 1\n'


def there_and_back():
    """The program is replaced with a backup in between; going back restores the old shop; nothing is overwritten."""
    with scratch() as folder:
        prefix, state = folder / "usr", folder / "state"
        (prefix / "bin").mkdir(parents=True)
        state.mkdir()
        installed = prefix / "bin/fleecefold"
        shutil.copy2(PROGRAM, installed)
        service = folder / "service"
        service.write_text(SERVICE)
        service.chmod(0o755)
        db = f"sqlite:{state}/shop.db"
        env = {
            "FLEECEFOLD_DB": db,
            "FLEECEFOLD_PREFIX": str(prefix),
            "FLEECEFOLD_STATE": str(state),
            "FLEECEFOLD_SERVICE": str(service),
            "FLEECEFOLD_SURE": "yes",
        }
        log = lambda: service.with_name("service.log").read_text().split()
        run(installed, "--db", db, "add", "styles", ROOT / "demo/styles.csv")

        # The new program is the same one under another name: this tests the procedure.
        new = folder / "new"
        shutil.copy2(PROGRAM, new)
        said = run(UPGRADE, new, env=env)
        expect("the tables are brought up to date", "tables are up to date" in said, True)
        expect("stopped and started", log(), ["stop", "start"])

        run(installed, "--db", db, "add", "items", ROOT / "demo/items.csv")
        run(UPGRADE, "--back", env=env)
        expect("stopped and started again", log(), ["stop", "start"] * 2)
        shelf = run(installed, "--db", db, "shelf", "--format", "csv")
        expect("the shop is as it was before", len(shelf.splitlines()), 1)
        given_up = [p for p in state.iterdir() if "given-up" in p.name and p.suffix != ".keys" and not p.name.endswith(("-wal", "-shm"))]
        expect("what was given up is kept", len(given_up), 1)
        run(installed, "--db", db, "check")

        nothing = folder / "nothing"
        nothing.write_text("#!/bin/sh\nexit 3\n")
        nothing.chmod(0o755)
        run(UPGRADE, nothing, env=env, status=1)
        expect("one that does not run changes nothing", log(), ["stop", "start"] * 2)

        broken = folder / "broken"
        broken.write_text(BROKEN)
        broken.chmod(0o755)
        said = run(UPGRADE, broken, env=env, status=1)
        expect("it says how to go back", "--back" in said, True)
        run(UPGRADE, "--back", env=env)
        run(installed, "--db", db, "check")


def manual_and_completions():
    """The manual has no faults, and each shell can read its script."""
    with scratch() as folder:
        run(PROGRAM, "manual", "--to", folder)
        pages = sorted(folder.glob("*.1"))
        expect("pages", len(pages) > 20, True)
        for page in pages:
            wrong = run("groff", "-k", "-man", "-Tutf8", "-ww", "-z", page)
            if wrong.strip():
                raise Failed(f"{page.name}: {wrong}")
        script = folder / "fleecefold.bash"
        script.write_text(run(PROGRAM, "completions", "bash"))
        ask = f'. {script}; COMP_WORDS=(fleecefold she); COMP_CWORD=1; _fleecefold fleecefold she fleecefold; echo "${{COMPREPLY[@]}}"'
        expect("bash completes a command", run("bash", "-c", ask).split(), ["shelf"])
        for shell in ["zsh", "fish", "elvish", "powershell"]:
            expect(f"{shell} has a script", "shelf" in run(PROGRAM, "completions", shell), True)


if __name__ == "__main__":
    os.environ["PATH"] += ":/usr/sbin"
    sys.exit(main(there_and_back, manual_and_completions))
