// Elements in one line, and times for people.

/** An element with properties (`data-…` and `aria-…` as attributes) and children; null children are left out. */
export function el(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (/^(data|aria)-|^(for|role|list)$/.test(name)) node.setAttribute(name, value);
    else node[name] = value;
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

export const byId = (id) => document.getElementById(id);

/** A moment as the phone's owner writes it. */
export function when(iso) {
  return new Date(iso).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
}

/** Radio buttons under a legend; `choices` are [value, label]. */
export function radios(legend, name, choices, required = true) {
  const rows = choices.map(([value, label]) =>
    el("label", { className: "choice" }, el("input", { type: "radio", name, value, required }), ` ${label}`),
  );
  return el("fieldset", {}, el("legend", {}, legend), rows);
}

/** A file that lies in memory: one on a card may be gone when it is to be sent. */
export async function heldInMemory(file) {
  return new File([await file.arrayBuffer()], file.name || "photo.jpg", { type: file.type });
}

/** Photo's picture with the advice of the capture check. */
export function verdictOn(checked) {
  if (!checked) return el("p", {}, "This browser cannot show the file; the service will look at it.");
  if (!checked.faults.length) return el("p", {}, "Focus, light and size look fit.");
  const advice = checked.faults.map((fault) => el("li", { "data-fault": fault.kind }, fault.advice));
  return el("div", { className: "caution" }, el("p", {}, "Better take it again before you leave:"), el("ul", {}, advice));
}
