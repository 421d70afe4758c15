// Follows the journal (/v1/stream, server-sent events as WHATWG HTML 9.2 has them), comes back after every loss by the
// cursor of the last record it has, and tells how it stands: "connected", "lost", or "signed-out".
//
// Read with fetch rather than EventSource, for two things that one does not show: the answer's status, and the service's
// "nothing new" every 15 s, whose absence is how a connection that died without a word is noticed.

import { get, looking } from "../common/ask.js";

const SILENT_MS = 40_000;
const FIRST_MS = 500;
const MOST_MS = 15_000;

export class Stream {
  #after = 0;
  #epoch = null;
  #tell;
  #state = "connecting";
  #abort = null;
  #waiting = null;
  #ended = false;

  // `tell` has records(list), state(name, about) and restart(): the journal is another one, everything is looked at anew.
  constructor(tell) {
    this.#tell = tell;
  }

  get state() {
    return this.#state;
  }

  async follow(after, epoch) {
    this.#after = after;
    this.#epoch = epoch;
    let wait = FIRST_MS;
    let tries = 0;
    while (!this.#ended) {
      const heard = await this.#once();
      if (this.#ended || this.#state === "signed-out") return;
      wait = heard ? FIRST_MS : Math.min(wait * 2, MOST_MS);
      tries = heard ? 0 : tries + 1;
      const rest = wait * (0.75 + Math.random() / 2);
      this.#turn("lost", { tries, waitMs: rest });
      await this.#rest(rest);
    }
  }

  // Tries again at once, when somebody asks for it or the network came back.
  hurry() {
    this.#waiting?.();
  }

  end() {
    this.#ended = true;
    this.#abort?.abort();
    this.hurry();
  }

  #turn(state, about = {}) {
    const before = this.#state;
    this.#state = state;
    this.#tell.state(state, { ...about, before });
  }

  #rest(ms) {
    return new Promise((resolve) => {
      const timer = setTimeout(resolve, ms);
      this.#waiting = () => {
        clearTimeout(timer);
        resolve();
      };
    });
  }

  // One connection, from its beginning to its end; returns whether anything was heard.
  async #once() {
    const abort = new AbortController();
    this.#abort = abort;
    let heard = false;
    let watch = setTimeout(() => abort.abort(), SILENT_MS);
    try {
      if (this.#after === null) {
        const about = await get("/station", abort.signal);
        [this.#after, this.#epoch] = [about.head, about.epoch];
      }
      const headers = { ...looking(), "Last-Event-ID": `${this.#epoch}-${this.#after}` };
      const answer = await fetch("/v1/stream", { headers, signal: abort.signal, cache: "no-store" });
      if (answer.status === 401) {
        this.#turn("signed-out");
        return false;
      }
      if (!answer.ok) return false;
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (;;) {
        const { value, done } = await reader.read();
        if (done) return heard;
        clearTimeout(watch);
        watch = setTimeout(() => abort.abort(), SILENT_MS);
        if (!heard) this.#turn("connected");
        heard = true;
        const blocks = (rest + value).split("\n\n");
        rest = blocks.pop();
        this.#take(blocks);
      }
    } catch {
      return heard;
    } finally {
      clearTimeout(watch);
    }
  }

  #take(blocks) {
    const records = [];
    for (const block of blocks) {
      const fields = Object.fromEntries(block.split("\n").map((line) => {
        const at = line.indexOf(":");
        return [line.slice(0, at), line.slice(at + 1).trimStart()];
      }));
      if (!fields.data) continue;
      const data = JSON.parse(fields.data);
      if (fields.event === "restart") {
        // Another journal: not all of it is read, the page asks anew how things stand, and follows from there.
        this.#after = null;
        this.#abort.abort();
        this.#tell.restart();
        return;
      } else if (fields.event === "dropped") {
        this.#after = data.after;
      } else {
        this.#after = data.sequence;
        records.push(data);
      }
    }
    if (records.length) this.#tell.records(records);
  }
}
