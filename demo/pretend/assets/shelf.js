// Draws the shelf anew when the shop says that something changed. Without it the page is right when it is loaded.
const changes = new EventSource("/changes");
let asked = false;
let again = false;

async function draw() {
  if (asked) {
    again = true;
    return;
  }
  asked = true;
  do {
    again = false;
    const answer = await fetch("/", { cache: "no-store" });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const main = page.querySelector("main");
    // Whoever is typing a count is not disturbed.
    if (main && !document.activeElement?.closest("form input")) {
      document.querySelector("main")?.replaceWith(main);
    }
  } while (again);
  asked = false;
}

changes.addEventListener("message", () => void draw().catch(() => (asked = false)));
