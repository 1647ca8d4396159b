// Several photos of a return at once: shows which file goes to which view, and lets a person change it before sending.

import { el } from "./dom.js";

/** One line for each chosen file, with the views that want a photo in their order. */
function lines(files, views) {
  return [...files].map((file, place) => {
    const options = views.map(([key, title], at) => el("option", { value: key, selected: at === place }, title));
    return el("li", {}, el("label", {}, `${file.name} `, el("select", { name: "view" }, options)));
  });
}

for (const list of document.querySelectorAll("[data-several]")) {
  const input = document.getElementById(list.dataset.several);
  const views = [...list.querySelectorAll("[data-view]")].map((node) => [node.dataset.view, node.textContent]);
  input.addEventListener("change", () => {
    const fits = input.files.length <= views.length;
    list.replaceChildren(...(fits ? lines(input.files, views) : []));
    input.setCustomValidity(fits ? "" : `Choose ${views.length} at most; so many views want a photo.`);
    input.reportValidity();
  });
}
