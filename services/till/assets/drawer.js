// @ts-check
/** Adds up a count of the drawer while it is typed. The server adds it up again. */

for (const form of document.querySelectorAll("form[data-count]")) {
  const out = form.querySelector(".sum-of-count");
  const fields = Array.from(form.querySelectorAll('input[name^="count."]'));
  // Zero as the server writes it shows the currency sign and the number of decimals.
  const zero = form instanceof HTMLFormElement ? (form.dataset.count ?? "") : "";
  const sign = zero.replace(/[0-9.]+$/, "");
  const digits = zero.includes(".") ? zero.length - zero.indexOf(".") - 1 : 0;
  const add = () => {
    let minor = 0n;
    for (const field of fields) {
      if (field instanceof HTMLInputElement && /^[0-9]{1,6}$/.test(field.value.trim())) {
        minor += BigInt(field.name.slice("count.".length)) * BigInt(field.value.trim());
      }
    }
    const text = minor.toString().padStart(digits + 1, "0");
    const [whole, decimals] = digits ? [text.slice(0, -digits), `.${text.slice(-digits)}`] : [text, ""];
    if (out) out.textContent = `${sign}${whole.replace(/\B(?=(\d{3})+$)/g, ",")}${decimals}`;
  };
  form.addEventListener("input", add);
  add();
}
