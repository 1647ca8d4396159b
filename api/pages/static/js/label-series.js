// Film and haze beside a drawn series: ten pictures from 0.0 to 0.9, one step of which looks like the photo.

import { byId, el } from "./dom.js";

const STEPS = 10;
const MARGIN = 0.15; // around the window that was drawn, of its size

export class Series {
  /**
   * @param {import("./label-history.js").History} history
   * @param {{stage: object, say: (text: string) => void, turned: (open: boolean) => void, done: () => void}} desk
   */
  constructor(history, desk) {
    Object.assign(this, { history, desk, tool: null, box: byId("label-series") });
    const steps = byId("label-series-steps");
    steps.append(...Array.from({ length: STEPS }, (_, step) => this.#button(step)));
    steps.addEventListener("keydown", (event) => {
      const move = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
      if (event.key === "Escape" || (event.key === "Enter" && this.step !== null)) this.close();
      else if (move) this.choose(Math.min(STEPS - 1, Math.max(0, (this.step ?? (move > 0 ? -1 : STEPS)) + move)));
      else return;
      event.preventDefault();
    });
    this.box.addEventListener("click", ({ target }) => {
      const act = target.closest("[data-act]")?.dataset.act;
      if (act === "unmatch") this.choose(null);
      if (act === "unmatch" || act === "matched") this.close();
    });
  }

  #button(step) {
    const text = [`0.${step} `, el("kbd", { "aria-hidden": "true" }, String(step))];
    const button = el("button", { type: "button", className: "plain", role: "radio", "data-step": step }, text);
    button.dataset.key = String(step);
    button.addEventListener("click", () => this.choose(step));
    return button;
  }

  /** The step that was chosen, null for none. */
  get step() {
    const value = this.history.now.matches[this.tool?.key];
    return value === undefined ? null : Math.round(10 * value);
  }

  open(tool, example) {
    Object.assign(this, { tool, example });
    this.box.hidden = false;
    this.desk.turned(true);
    byId("label-series-title").textContent = `${tool.title}: which looks like the photo?`;
    this.#photo();
    this.render();
    byId("label-series-steps").querySelector("[tabindex='0']").focus();
  }

  close() {
    if (!this.tool) return;
    this.tool = null;
    this.box.hidden = true;
    this.desk.turned(false);
    this.desk.done();
  }

  choose(step) {
    const { [this.tool.key]: _, ...rest } = this.history.now.matches;
    const matches = step === null ? rest : { ...rest, [this.tool.key]: step / 10 };
    this.history.set({ ...this.history.now, matches });
    this.desk.say(step === null ? `${this.tool.title}: no match` : `${this.tool.title}: 0.${step}`);
    this.render();
    byId("label-series-steps").querySelector("[tabindex='0']").focus();
  }

  render() {
    if (!this.tool) return;
    const chosen = this.step;
    for (const button of byId("label-series-steps").children) {
      const on = Number(button.dataset.step) === chosen;
      button.setAttribute("aria-checked", String(on));
      button.tabIndex = on || (chosen === null && button.dataset.step === "0") ? 0 : -1;
    }
    const drawn = byId("label-series-drawn");
    drawn.src = `/api/v1/examples/${this.example}/series/${this.tool.key}/${chosen ?? 0}.jpg`;
    byId("label-series-caption").textContent = `Drawn, ${this.tool.title.toLowerCase()} 0.${chosen ?? 0}`;
  }

  /** The photo's window, or the whole photo where no window is drawn. */
  #photo() {
    const canvas = byId("label-series-photo");
    const { picture } = this.desk.stage;
    if (!picture) return;
    const points = this.history.now.marks.window?.points ?? [[0, 0], [1, 1]]; // prettier-ignore
    const range = (k, long) => {
      const all = points.map((point) => point[k] * long);
      const [low, high] = [Math.min(...all), Math.max(...all)];
      const margin = points.length > 2 ? MARGIN * (high - low) : 0;
      return [Math.max(0, low - margin), Math.min(long, high + margin)];
    };
    const [left, right] = range(0, picture.naturalWidth);
    const [top, bottom] = range(1, picture.naturalHeight);
    canvas.width = 480;
    canvas.height = Math.max(1, Math.round((480 * (bottom - top)) / Math.max(1, right - left)));
    canvas
      .getContext("2d")
      .drawImage(picture, left, top, right - left, bottom - top, 0, 0, canvas.width, canvas.height);
  }
}
