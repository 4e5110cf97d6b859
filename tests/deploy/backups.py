"""The daily backup, deleting old ones, and the rehearsal of a restore. By hand: python3 tests/deploy/backups.py"""

import os
import sys
from datetime import date, timedelta

from ground import DEPLOY, PROGRAM, ROOT, expect, main, run, scratch

BACKUP = DEPLOY / "bin/fleecefold-backup"
REHEARSAL = DEPLOY / "bin/fleecefold-rehearsal"
TODAY = date(2026, 11, 29)


def thinning():
    """Daily, weekly and monthly backups are kept as the script says; nothing else is touched."""
    with scratch() as folder:
        for ago in range(900):
            (folder / f"shop-{TODAY - timedelta(days=ago)}T031000Z.backup").touch()
        (folder / "notes.txt").touch()
        (folder / "shop-before-the-move.backup").touch()
        run(BACKUP, "--thin", "--as-of", str(TODAY), folder)
        left = sorted(path.name for path in folder.iterdir())
        days = [date.fromisoformat(name[5:15]) for name in left if name.startswith("shop-2")]
        expect("others' files", [n for n in left if not n.startswith("shop-2")], ["notes.txt", "shop-before-the-move.backup"])
        recent = [day for day in days if (TODAY - day).days < 7]
        expect("the last seven days", len(recent), 7)
        weeks = {day.isocalendar()[:2] for day in days if (TODAY - day).days < 56}
        expect("weeks of the last eight", len(weeks), 8)
        months = {(day.year, day.month) for day in days}
        expect("months", len(months), 25)
        expect("older than two years", [d for d in days if (TODAY - d).days >= 24 * 31], [])
        # Seven days, the last of each older week, the last of each older month.
        expect("in all", len(days), 38)
        run(BACKUP, "--thin", "--as-of", str(TODAY), folder)
        expect("thinned once more, still", len(list(folder.iterdir())), 40)
    with scratch() as folder:
        (folder / "shop-2020-01-01T000000Z.backup").touch()
        run(BACKUP, "--thin", "--as-of", str(TODAY), folder)
        expect("the newest stays, however old", len(list(folder.iterdir())), 1)


def backup_and_rehearsal():
    """A backup of a shop with goods is made, restored and checked; a damaged or old one is reported."""
    with scratch() as folder:
        db, keep = f"sqlite:{folder}/shop.db", folder / "backups"
        env = {"FLEECEFOLD": str(PROGRAM), "FLEECEFOLD_DB": db}
        run(PROGRAM, "--db", db, "add", "styles", ROOT / "demo/styles.csv")
        run(PROGRAM, "--db", db, "add", "items", ROOT / "demo/items.csv")
        run(BACKUP, keep, env=env)
        made = list(keep.iterdir())
        expect("backups", len(made), 1)
        expect("for its owner alone", oct(made[0].stat().st_mode & 0o777), "0o600")
        said = run(REHEARSAL, keep, env=env)
        expect("stock, money and books add up on it", "stock, money and books add up" in said, True)
        run(REHEARSAL, keep, env={**env, "FLEECEFOLD_OLDEST_HOURS": "-1"}, status=1)
        data = bytearray(made[0].read_bytes())
        data[len(data) // 2] ^= 0xFF
        made[0].write_bytes(data)
        run(REHEARSAL, keep, env=env, status=1)
        made[0].unlink()
        run(REHEARSAL, keep, env=env, status=1)
        run(BACKUP, keep, env={**env, "FLEECEFOLD_DB": f"sqlite:{folder}/missing.db"}, status=1)
        expect("no half backup", [p.name for p in keep.iterdir()], [])


def rotation():
    """A log file is rotated, and what is written afterwards is in the new one."""
    with scratch() as folder:
        logs = folder / "logs"
        logs.mkdir(mode=0o755)
        text = (DEPLOY / "logrotate/fleecefold").read_text()
        text = text.replace("/var/log/fleecefold", str(logs)).replace("    su fleecefold fleecefold\n", "")
        rules = folder / "rules"
        rules.write_text(text)
        rules.chmod(0o644)
        log = logs / "fleecefold.log"
        with open(log, "a") as out:
            for line in ["before", "after"]:
                out.write(f"{line}\n")
                out.flush()
                if line == "before":
                    run("logrotate", "--force", "--state", folder / "state", rules)
        expect("rotated", (logs / "fleecefold.log.1").read_text(), "before\n")
        expect("goes on", log.read_text().strip("\0"), "after\n")


if __name__ == "__main__":
    os.environ["PATH"] += ":/usr/sbin"
    sys.exit(main(thinning, backup_and_rehearsal, rotation))
