"""Computes every price of the grid again with Python's decimal, and compares.

The rule: max(minimum, end(round(rate * weight) + extras)), rounded half up to
the cent; a price of 0 is refused. The masses are those of NIST Handbook 44, appendix C.
Standard library only. Run by tests/run, which names the folder of built examples in
FLEECEFOLD_EXAMPLES; by hand: FLEECEFOLD_EXAMPLES=target/debug/examples python3 tests/outside/prices.py
"""

import csv
import os
import subprocess
import sys
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal, getcontext
from pathlib import Path

# Far more digits than any product here has; a quotient that terminates is exact.
getcontext().prec = 100

OUNCE = Decimal("28.349523125")
GRAMS = {"ONZ": OUNCE, "LBR": 16 * OUNCE, "GRM": Decimal(1), "HGM": Decimal(100), "KGM": Decimal(1000)}
CENT = Decimal("0.01")
STEPS = {"exact": CENT, "five": Decimal("0.05"), "whole": Decimal(1)}
# 1280 weights, 22 rates, 4 endings, 4 pairs of minimum and extras.
ROWS = 1280 * 22 * 4 * 4
SHOWN = 20


def end(price: Decimal, ending: str) -> Decimal:
    """The nearest price with the ending, ties up, never below the ending itself."""
    first = Decimal(0) if ending in STEPS else Decimal(ending)
    step = STEPS.get(ending, Decimal(1))
    steps = ((price - first) / step + Decimal("0.5")).to_integral_value(rounding=ROUND_FLOOR)
    return max(steps, Decimal(0)) * step + first


def expected(row: dict[str, str]) -> str:
    """The price that a row should have; empty if it would be 0."""
    exact = Decimal(row["weight"]) * OUNCE * Decimal(row["rate"]) / GRAMS[row["unit"]]
    by_weight = exact.quantize(CENT, rounding=ROUND_HALF_UP)
    price = end(by_weight + Decimal(row["extras"]), row["ending"])
    if row["minimum"]:
        price = max(price, Decimal(row["minimum"]))
    return str(price.quantize(CENT)) if price else ""


def main() -> int:
    program = Path(os.environ["FLEECEFOLD_EXAMPLES"]) / "price_grid"
    grid = subprocess.run([program], check=True, capture_output=True, text=True).stdout
    rows = differences = refused = 0
    for row in csv.DictReader(grid.splitlines()):
        rows += 1
        should = expected(row)
        refused += should == ""
        if row["price"] != should:
            differences += 1
            if differences <= SHOWN:
                print(f"row {rows}: {row}, and decimal says {should or 'refused'}")
    print(f"{rows} prices compared, {refused} of them refused; {differences} differ")
    if rows != ROWS:
        print(f"the grid should have {ROWS} rows")
        return 1
    return 1 if differences else 0


if __name__ == "__main__":
    sys.exit(main())
