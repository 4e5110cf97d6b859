"""The units of systemd: read by its own tools, and, as root, started for real: systemd boots in a container on
a throw-away copy of this machine, starts the shop, sees it killed and started again, and runs the backup.
By hand: python3 tests/deploy/units.py"""

import contextlib
import os
import shutil
import sys

from ground import DEPLOY, PROGRAM, ROOT, Failed, expect, main, run, scratch

UNITS = DEPLOY / "systemd"
# What `systemd-analyze security` gives of 10 for the worst; 1.5 and less it calls OK.
EXPOSED_AT_MOST = 2.0
# What is done inside. Lines that begin with RESULT are evaluated outside.
INSIDE = r"""#!/bin/bash
exec >/trial.log 2>&1
set -x
trap 'echo RESULT end; systemctl poweroff --force' EXIT
result() { printf 'RESULT %s %s\n' "$1" "$2"; }
ready() { curl -s -o /dev/null -w '%{http_code}' http://127.0.0.1:8440/health/ready; }
set -e
export FLEECEFOLD_DB=sqlite:/var/lib/fleecefold/shop.db
systemctl start fleecefold.service
result active "$(systemctl is-active fleecefold.service)"
result ready "$(ready)"
first=$(systemctl show -P MainPID fleecefold.service)
result user "$(stat -c %U "/proc/$first")"
result file "$(stat -c '%a %U' /var/lib/fleecefold/shop.db)"
result folder "$(stat -c '%a %U' /var/lib/fleecefold)"
kill -KILL "$first"
for _ in $(seq 50); do
    second=$(systemctl show -P MainPID fleecefold.service)
    [ "$second" != "$first" ] && [ "$(systemctl is-active fleecefold.service)" = active ] && break
    sleep 0.2
done
[ "$second" != 0 ] && [ "$second" != "$first" ] && result restarted yes
result ready_again "$(ready)"
kill -STOP "$second"
for _ in $(seq 60); do
    third=$(systemctl show -P MainPID fleecefold.service)
    [ "$third" != "$second" ] && [ "$(systemctl is-active fleecefold.service)" = active ] && break
    sleep 0.5
done
[ "$third" != 0 ] && [ "$third" != "$second" ] && result hung_is_replaced yes
systemctl start fleecefold-backup.service
result backups "$(ls /var/lib/fleecefold/backups | wc -l)"
systemctl start fleecefold-rehearsal.service
result rehearsal "$(systemctl show -P Result fleecefold-rehearsal.service)"
systemctl start fleecefold-backup.timer fleecefold-rehearsal.timer
result timers "$(systemctl list-timers --no-legend 'fleecefold-*' | wc -l)"
result journal "$(journalctl --namespace=fleecefold -u fleecefold.service | grep -c 'the shop is open')"
systemctl stop fleecefold.service
result stopped "$(systemctl show -P Result fleecefold.service)"
"""
EXPECTED = {
    "active": "active",
    "ready": "200",
    "user": "fleecefold",
    "file": "600 fleecefold",
    "folder": "700 fleecefold",
    "restarted": "yes",
    "ready_again": "200",
    "hung_is_replaced": "yes",
    "backups": "1",
    "rehearsal": "success",
    "timers": "2",
    "journal": "3",
    "stopped": "success",
    "end": "",
}
TRIAL_UNIT = """[Unit]
After=basic.target
[Service]
Type=oneshot
ExecStart=/trial.sh
"""
TRIAL_TARGET = """[Unit]
Requires=basic.target trial.service
After=basic.target
"""


def read_by_systemd():
    """systemd reads each unit without complaint, and rates its exposure as low."""
    with scratch() as folder:
        names = []
        for path in sorted(UNITS.glob("*.service")) + sorted(UNITS.glob("*.timer")):
            text = path.read_text().replace("/usr/local/bin/fleecefold", str(PROGRAM))
            text = text.replace("/usr/local/lib/fleecefold", str(DEPLOY / "bin"))
            (folder / path.name).write_text(text)
            names.append(folder / path.name)
        said = run("systemd-analyze", "verify", "--man=no", "--recursive-errors=one", *names)
        expect("complaints", [line for line in said.splitlines() if "fleecefold" in line], [])
        for path in names:
            if path.suffix == ".service":
                limit = str(int(EXPOSED_AT_MOST * 10))
                said = run("systemd-analyze", "security", "--offline=yes", f"--threshold={limit}", path)
                print("  " + said.strip().splitlines()[-1], flush=True)


def started_for_real():
    """systemd starts the shop, keeps it up, backs it up and rehearses the restore."""
    if os.geteuid() != 0:
        print("  left out: a container needs root", flush=True)
        return
    with copy_of_machine() as root:
        install(root)
        command = ["systemd-nspawn", "-q", "--register=no", "--keep-unit", "-D", root, "--private-network", "-b"]
        run("timeout", "300", *command, "systemd.unit=trial.target", "systemd.mask=systemd-networkd-wait-online.service")
        log = (root / "trial.log").read_text()
    found = dict(line.split(" ", 2)[1:] for line in log.replace("RESULT end", "RESULT end ").splitlines() if line.startswith("RESULT"))
    if found != EXPECTED:
        raise Failed(f"{found}\ninstead of\n{EXPECTED}\n{log}")
    for what, value in found.items():
        print(f"  {what}: {value}", flush=True)


@contextlib.contextmanager
def copy_of_machine():
    """This machine's files, with writes that are gone afterwards."""
    with scratch() as folder:
        run("mount", "-t", "tmpfs", "-o", "size=3G", "tmpfs", folder)
        try:
            for name in ["upper", "work", "root"]:
                (folder / name).mkdir()
            layers = f"lowerdir=/,upperdir={folder}/upper,workdir={folder}/work"
            run("mount", "-t", "overlay", "overlay", "-o", layers, folder / "root")
            try:
                yield folder / "root"
            finally:
                run("umount", "--recursive", folder / "root")
        finally:
            run("umount", folder)


def install(root):
    """What deploy/README.md says, done on the copy."""
    etc, units = root / "etc", root / "etc/systemd/system"
    for name in ["usr/local/bin", "usr/local/lib/fleecefold", "etc/fleecefold"]:
        (root / name).mkdir(parents=True, exist_ok=True)
    shutil.copy2(PROGRAM, root / "usr/local/bin/fleecefold")
    for script in (DEPLOY / "bin").iterdir():
        shutil.copy2(script, root / "usr/local/lib/fleecefold" / script.name)
    for unit in [*UNITS.glob("*.service"), *UNITS.glob("*.timer")]:
        text = unit.read_text()
        # A hung program is restarted after a minute; the test does not wait that long.
        (units / unit.name).write_text(text.replace("WatchdogSec=60", "WatchdogSec=4"))
    shutil.copy2(UNITS / "journald@fleecefold.conf", etc / "systemd/journald@fleecefold.conf")
    shutil.copy2(UNITS / "fleecefold.env", etc / "fleecefold/fleecefold.env")
    run("chroot", root, "useradd", "--system", "--home-dir", "/var/lib/fleecefold", "--shell", "/usr/sbin/nologin", "fleecefold")
    (root / "trial.sh").write_text(INSIDE)
    (root / "trial.sh").chmod(0o755)
    (units / "trial.service").write_text(TRIAL_UNIT)
    (units / "trial.target").write_text(TRIAL_TARGET)


if __name__ == "__main__":
    sys.exit(main(read_by_systemd, started_for_real))
