// @ts-check
/** Shows the buttons that scan with the camera where there may be one; everything else is loaded when one is pressed. */

for (const button of document.querySelectorAll("[data-camera]")) {
  if (!(button instanceof HTMLButtonElement) || !navigator.mediaDevices) continue;
  button.hidden = false;
  button.addEventListener("click", async () => {
    const { scan } = await import("./camera-view.js");
    await scan(button);
  });
}
