// @ts-check
// The empty bowl, dropped photographs. The form works without this file.

/**
 * @template {Element} T
 * @param {string} selector
 * @param {new () => T} kind
 * @returns {T}
 */
function one(selector, kind) {
  const found = document.querySelector(selector);
  if (!(found instanceof kind)) throw new Error(`no ${selector}`);
  return found;
}

const form = one("#bench", HTMLFormElement);
const weight = one("input[name=weight]", HTMLInputElement);
const tare = one("input[name=tare]", HTMLInputElement);
const files = one("input[name=photographs]", HTMLInputElement);

// The empty bowl: its weight is what the scale shows now.

const bowl = one("[data-tare]", HTMLButtonElement);
bowl.hidden = false;
bowl.addEventListener("click", () => {
  tare.value = weight.value.trim();
  weight.value = "";
  weight.focus();
  // The price follows what is typed, and this was typed by us.
  tare.dispatchEvent(new Event("input", { bubbles: true }));
});

// Photographs.

const drop = one("[data-drop]", HTMLElement);
const thumbs = one(".thumbs", HTMLElement);

/** @param {File[]} chosen */
function choose(chosen) {
  const all = new DataTransfer();
  for (const file of chosen) all.items.add(file);
  files.files = all.files;
  show();
}

function show() {
  for (const old of thumbs.querySelectorAll("[data-chosen]")) {
    const image = old.querySelector("img");
    if (image) URL.revokeObjectURL(image.src);
    old.remove();
  }
  const chosen = [...(files.files ?? [])];
  chosen.forEach((file, at) => {
    const item = document.createElement("li");
    item.dataset["chosen"] = "";
    const image = document.createElement("img");
    image.src = URL.createObjectURL(file);
    image.alt = file.name;
    const button = document.createElement("button");
    button.type = "button";
    button.className = "also";
    button.textContent = "Remove";
    button.setAttribute("aria-label", `Remove ${file.name}`);
    button.addEventListener("click", () => choose(chosen.filter((_, other) => other !== at)));
    item.append(image, button);
    thumbs.append(item);
  });
}

files.addEventListener("change", show);
for (const kept of thumbs.querySelectorAll("li")) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "also";
  button.textContent = "Remove";
  button.setAttribute("aria-label", `Remove ${kept.querySelector("img")?.alt ?? "photograph"}`);
  button.addEventListener("click", () => kept.remove());
  kept.append(button);
}

// Somebody may have chosen before this file arrived.
if (files.files?.length) show();

/** @param {DragEvent} event */
function carriesFiles(event) {
  return event.dataTransfer?.types.includes("Files") ?? false;
}

form.addEventListener("dragover", (event) => {
  if (!carriesFiles(event)) return;
  event.preventDefault();
  drop.classList.add("over");
});
form.addEventListener("dragleave", () => drop.classList.remove("over"));
form.addEventListener("drop", (event) => {
  if (!carriesFiles(event)) return;
  event.preventDefault();
  drop.classList.remove("over");
  const images = [...(event.dataTransfer?.files ?? [])].filter((file) => file.type.startsWith("image/"));
  choose([...(files.files ?? []), ...images]);
});
