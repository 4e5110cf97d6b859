// @ts-check
// Cells pasted from a spreadsheet go into the right fields; Enter goes down a column, as in a spreadsheet.

const table = document.querySelector("table.sheet");

/** @returns {HTMLInputElement[][]} */
function grid() {
  const rows = [...(table?.querySelectorAll("tbody tr") ?? [])];
  return rows.map((row) => [...row.querySelectorAll("input")]).filter((inputs) => inputs.length > 0);
}

/**
 * @param {HTMLInputElement[][]} rows
 * @param {EventTarget | null} cell
 * @returns {[number, number] | undefined}
 */
function place(rows, cell) {
  for (const [down, row] of rows.entries()) {
    const across = row.findIndex((input) => input === cell);
    if (across >= 0) return [down, across];
  }
  return undefined;
}

table?.addEventListener("paste", (event) => {
  if (!(event instanceof ClipboardEvent)) return;
  const text = event.clipboardData?.getData("text/plain").replace(/\r\n?/g, "\n").replace(/\n$/, "") ?? "";
  if (!/[\t\n]/.test(text)) return;
  const rows = grid();
  const at = place(rows, event.target);
  const lines = text.split("\n").map((line) => line.split("\t"));
  // If there are more rows than the sheet has, they go into the box below, which adds rows.
  const box = document.querySelector("textarea[name=pasted]");
  if (at && at[0] + lines.length > rows.length && box instanceof HTMLTextAreaElement && at[1] === 0) {
    event.preventDefault();
    box.value = text;
    const fold = box.closest("details");
    if (fold) fold.open = true;
    box.focus();
    return;
  }
  if (!at) return;
  event.preventDefault();
  lines.forEach((cells, down) =>
    cells.forEach((cell, across) => {
      const input = rows[at[0] + down]?.[at[1] + across];
      if (input) input.value = cell.trim();
    }),
  );
});

table?.addEventListener("keydown", (event) => {
  if (!(event instanceof KeyboardEvent) || event.key !== "Enter" || event.isComposing) return;
  const rows = grid();
  const at = place(rows, event.target);
  const below = at && rows[at[0] + 1]?.[at[1]];
  if (!below) return;
  event.preventDefault();
  below.focus();
  below.select();
});
