// The drawing: a GeoJSON document whose every change can be taken back and is saved within a second.
import { Refused, ask, shownOnly } from "./server.js";

const SAVE_AFTER_MS = 400;
const LOOK_AGAIN_MS = 4000;

export class Drawing extends EventTarget {
  #document = { type: "FeatureCollection", features: [] };
  #version = null;
  #past = [];
  #future = [];
  #timer = null;
  #saving = false;
  #dirty = false;

  async load() {
    const found = await ask("GET", "drawing");
    this.#document = found.document;
    this.#version = found.version;
    this.#past = [];
    this.#future = [];
    this.#dirty = false;
    this.#tell("changed");
    this.#say(shownOnly ? "shown" : "saved");
    if (!shownOnly) setInterval(() => this.#lookAgain(), LOOK_AGAIN_MS);
  }

  get document() {
    return this.#document;
  }

  get features() {
    return this.#document.features;
  }

  get canUndo() {
    return this.#past.length > 0;
  }

  get canRedo() {
    return this.#future.length > 0;
  }

  get isSaved() {
    return !this.#dirty;
  }

  // `change` gets a copy of the features and returns the new list; what it does is one step of undo.
  change(change) {
    if (shownOnly) return;
    this.#past.push(this.#document);
    this.#future = [];
    this.#put({ ...this.#document, features: change([...this.features]) });
  }

  undo() {
    if (!this.canUndo) return;
    this.#future.push(this.#document);
    this.#put(this.#past.pop());
  }

  redo() {
    if (!this.canRedo) return;
    this.#past.push(this.#document);
    this.#put(this.#future.pop());
  }

  // After a conflict: what is on disk, or what is here.
  async takeTheirs() {
    const found = await ask("GET", "drawing");
    this.#past.push(this.#document);
    this.#future = [];
    this.#document = found.document;
    this.#version = found.version;
    this.#dirty = false;
    this.#tell("changed");
    this.#say("saved");
  }

  async keepMine() {
    const found = await ask("GET", "drawing");
    this.#version = found.version;
    await this.save();
  }

  async save() {
    if (this.#saving) return;
    clearTimeout(this.#timer);
    this.#saving = true;
    const sent = this.#document;
    try {
      const { version } = await ask("PUT", "drawing", sent, { "if-match": `"${this.#version}"` });
      this.#version = version;
      this.#dirty = sent !== this.#document;
      this.#say(this.#dirty ? "saving" : "saved");
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.#say(error.status === 412 ? "conflict" : "unsaved", error.message);
    } finally {
      this.#saving = false;
    }
    if (sent !== this.#document) this.#later();
  }

  #put(document) {
    this.#document = document;
    this.#dirty = true;
    this.#tell("changed");
    this.#later();
  }

  #later() {
    this.#say("saving");
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.save(), SAVE_AFTER_MS);
  }

  async #lookAgain() {
    if (this.#dirty || this.#saving || document.hidden) return;
    try {
      const found = await ask("GET", "drawing", null, { "if-none-match": `"${this.#version}"` });
      if (found && !this.#dirty && found.version !== this.#version) {
        this.#document = found.document;
        this.#version = found.version;
        this.#tell("changed");
        this.#say("renewed");
      }
    } catch (error) {
      if (error instanceof Refused) this.#say("unsaved", error.message);
    }
  }

  #say(state, text = "") {
    this.dispatchEvent(new CustomEvent("state", { detail: { state, text } }));
  }

  #tell(name) {
    this.dispatchEvent(new Event(name));
  }
}
