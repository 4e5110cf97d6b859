// @ts-check
/** Suggests the browser's own time zone, as long as nobody has typed one. */

const field = document.querySelector("input[data-suggest]");
const own = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (field instanceof HTMLInputElement && own && field.value === field.defaultValue) {
  const isKnown = Array.from(field.list?.options ?? []).some((option) => option.value === own);
  if (isKnown) field.value = own;
}
