// Sends labels; those that a lost link holds up stay on the device and are sent again, each once.

import { notice } from "./label-notice.js";
import { ask, NoLink, Refused } from "./label-send.js";

const AGAIN_MS = 15_000;

export class Outbox {
  /** @param {import("./label-keep.js").Keep} keep */
  constructor(keep) {
    this.keep = keep;
    this.timer = 0;
    window.addEventListener("online", () => this.keep.outbox.length && this.resend());
  }

  send({ example, body, seconds, key }) {
    return ask(`/examples/${example}/labels`, { method: "POST", body: { body, seconds }, key });
  }

  /** Keeps a label that found no link, and goes on trying. */
  hold(item) {
    this.keep.post(item);
    this.#wait("No link.");
  }

  /** A label that waits for a link and is taken back before it was sent; whether there was one. */
  takeBack(example) {
    const item = this.keep.outbox.find((one) => one.example === example);
    if (item) this.keep.posted(item.key);
    return item !== undefined;
  }

  /** Sends what waits, oldest first; stops at the first that the link does not carry. */
  async resend() {
    clearTimeout(this.timer);
    const refused = [];
    for (const item of this.keep.outbox) {
      try {
        await this.send(item);
      } catch (error) {
        if (error instanceof NoLink) return this.#wait("No link.");
        if (!(error instanceof Refused)) throw error;
        if (error.status === 401) return this.#wait("Log in in another window.");
        refused.push(error.message); // it never will be taken; its draft is gone, so the reason is said
      }
      this.keep.posted(item.key);
    }
    return notice(refused.length ? `Not taken: ${refused.join(" ")}` : "");
  }

  #wait(why) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.resend(), AGAIN_MS);
    const { length } = this.keep.outbox;
    const where = this.keep.lasts ? "kept on this device" : "kept in this window only (leave it open)";
    const what = `${length} ${length === 1 ? "label is" : "labels are"} ${where} and sent when the link is back.`;
    notice(`${why} ${what}`, ["Send now", () => this.resend()]);
  }
}
