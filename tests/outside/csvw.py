"""Validates a feed that the program wrote, with its W3C CSVW metadata, by the PyPI package csvw 4.1.1.

The standard: Metadata Vocabulary for Tabular Data (W3C Recommendation, 17 December 2015). A feed that is
spoilt in one place must fail, so that the check is seen to check. Run by tests/run, which names the
program in FLEECEFOLD_BIN.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

BIN = os.environ["FLEECEFOLD_BIN"]
VALIDATE = Path(sys.executable).with_name("csvwvalidate")
STYLES = "style,rate,rate.unitCode,ending\nRidge beanie,7.50,ONZ,whole\n"
ITEMS = '''name,sku,style,color,weight.value,weight.unitCode,quantity,quantity.unitCode,offers.price,description
"Beanie, ""birch""",B-1,Ridge beanie,madder red,6.35,ONZ,,,,"Two lines
of words; =1+2 is no formula"
=cmd,B-2,Ridge beanie,woad,180,GRM,,,,
Roving,ROV,,weld,,,12.5,ONZ,3.25,@home
Loom kit,KIT,,,,,7,,12.00,Zwölf Stäbe
'''
# What is changed in the feed, and why csvwvalidate must refuse it.
SPOILT = [
    ("InStock", "Somewhere", "not one of schema.org's words"),
    ("USD", "usd", "not an ISO 4217 code"),
    ("48.00", "48,00", "a decimal comma"),
    ("B-2", "B-1", "the same key twice"),
    ("sku", "code", "another heading"),
]


def fleecefold(folder: Path, *args: str) -> None:
    """Runs the program on the shop in the folder."""
    command = [BIN, "--db", f"sqlite:{folder}/shop.db", *args]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        sys.exit(f"fleecefold {' '.join(args)} ended with {done.returncode}:\n{done.stderr}")


def is_valid(metadata: Path) -> bool:
    """What csvwvalidate says."""
    return subprocess.run([VALIDATE, metadata], capture_output=True, check=False).returncode == 0


def main() -> None:
    """One feed, as it is and with each kind of damage."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "styles.csv").write_text(STYLES, encoding="utf-8")
        (folder / "items.csv").write_text(ITEMS, encoding="utf-8")
        fleecefold(folder, "add", "styles", str(folder / "styles.csv"))
        fleecefold(folder, "add", "items", str(folder / "items.csv"))
        fleecefold(folder, "feed", "out", "--to", str(folder / "out"))
        [metadata] = (folder / "out").glob("*-metadata.json")
        feed = metadata.with_name(metadata.name.removesuffix("-metadata.json"))
        text = feed.read_text(encoding="utf-8")
        assert is_valid(metadata), f"csvwvalidate refuses the feed:\n{text}"
        for old, new, why in SPOILT:
            assert old in text, f"{old} is not in the feed:\n{text}"
            feed.write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
            assert not is_valid(metadata), f"csvwvalidate takes {new} for {old}: {why}"
    print(f"the feed is valid, and {len(SPOILT)} ways of spoiling it are not")


if __name__ == "__main__":
    main()
