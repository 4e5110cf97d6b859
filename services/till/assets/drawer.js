// @ts-check
/** Adds up a count of the drawer while it is typed. The shop adds it up again by itself. */

for (const form of document.querySelectorAll("form[data-count]")) {
  const out = form.querySelector(".sum-of-count");
  const fields = Array.from(form.querySelectorAll('input[name^="count."]'));
  const label = form.querySelector(".coins span")?.textContent ?? "";
  const digits = label.includes(".") ? label.length - label.indexOf(".") - 1 : 0;
  const add = () => {
    let minor = 0n;
    for (const field of fields) {
      if (field instanceof HTMLInputElement && /^[0-9]{1,6}$/.test(field.value.trim())) {
        minor += BigInt(field.name.slice("count.".length)) * BigInt(field.value.trim());
      }
    }
    const text = minor.toString().padStart(digits + 1, "0");
    if (out) out.textContent = digits ? `${text.slice(0, -digits)}.${text.slice(-digits)}` : text;
  };
  form.addEventListener("input", add);
  add();
}
