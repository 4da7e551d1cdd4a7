// The page: puts picture, drawing, hand, column and keys together.
import { listAll, numbersIn, numbersOf, showOne } from "./book.js";
import { Die } from "./die.js";
import { Drawing } from "./drawing.js";
import { Edits } from "./edits.js";
import { showFound } from "./found.js";
import { ACTS, Hand } from "./hand.js";
import { Keys, showKeys } from "./keys.js";
import { Live } from "./live.js";
import { Look } from "./look.js";
import { Refused, ask, shownOnly } from "./server.js";
import { Shown } from "./shown.js";
import { at, question, savedOrNot, told, trouble } from "./told.js";
import { lengthOf, plain } from "./words.js";
import "./page.css";
import "ol/ol.css";

const PICTURE_FIRST_MS = 700;

async function begin() {
  const [setup, information] = await Promise.all([ask("GET", "setup"), ask("GET", "iiif/0/info.json")]);
  const die = new Die(setup, information);
  const drawing = new Drawing();
  const look = new Look(setup.kinds);
  look.umPerPx = setup.scale?.um_per_px_x ?? null;
  const hand = new Hand(die, drawing, look);
  const page = new Page({ setup, die, drawing, look, hand });
  await die.show(0, 0);
  // The picture first: reading a large drawing keeps the server busy.
  const drawn = new Promise((done) => die.map.once("rendercomplete", done));
  drawn.then(() => (document.documentElement.dataset.drawn = "yes"));
  await Promise.race([drawn, new Promise((done) => setTimeout(done, PICTURE_FIRST_MS))]);
  await drawing.load();
  document.documentElement.dataset.ready = "yes";
  window.dieplat = { page, die, drawing, hand };
}

class Page {
  numbers = null;
  details = new WeakMap();

  constructor(parts) {
    Object.assign(this, parts);
    const { setup, die, drawing, look, hand } = parts;
    at("#title").textContent = setup.title;
    document.title = `${setup.title} · dieplat`;
    this.edits = new Edits(this, parts);
    this.shown = new Shown(setup, die, look, hand);
    new Live(drawing, look, hand);
    new Keys(this, this.edits, parts);
    this.#choices();
    drawing.addEventListener("changed", () => {
      this.list();
      this.one();
      this.measure();
    });
    drawing.addEventListener("state", ({ detail }) => savedOrNot(detail, setup.file, drawing));
    hand.addEventListener("chosen", () => {
      this.list();
      this.one();
    });
    hand.addEventListener("act", () => this.#acts());
    hand.addEventListener("corner", ({ detail }) => told(`corner ${detail.number} of ${detail.of}: ${detail.at.map((v) => v.toFixed(2)).join(", ")} px`));
    addEventListener("beforeunload", (event) => drawing.isSaved || event.preventDefault());
    die.map.on("pointermove", (event) => this.#where(event.coordinate));
  }

  get kind() {
    return at("#kind").value;
  }

  kindOf(kind) {
    at("#kind").value = kind;
    this.hand.kind = kind;
  }

  nextKind() {
    const kinds = this.setup.kinds.map(({ kind }) => kind);
    this.kindOf(kinds[(kinds.indexOf(this.kind) + 1) % kinds.length]);
    told(`drawn as ${this.look.of(this.kind).label}`);
  }

  #choices() {
    at("#acts").insertAdjacentHTML(
      "beforeend",
      Object.entries(ACTS)
        .map(([name, act]) => `<label><input type="radio" name="act" value="${name}"><span>${act.label} <kbd>${act.key === "Escape" ? "Esc" : act.key}</kbd></span></label>`)
        .join(""),
    );
    at("#acts").addEventListener("change", (event) => this.hand.doing(event.target.value));
    at("#kind").innerHTML = this.setup.kinds.map(({ kind, label }) => `<option value="${kind}">${label}</option>`).join("");
    this.kindOf("logic");
    at("#kind").addEventListener("change", () => (this.hand.kind = this.kind));
    at("#sides").addEventListener("change", () => {
      this.hand.sides = Math.min(24, Math.max(3, Number(at("#sides").value) || 8));
      this.hand.doing(this.hand.act);
    });
    at("#undo").addEventListener("click", () => this.drawing.undo());
    at("#redo").addEventListener("click", () => this.drawing.redo());
    at("#help").addEventListener("click", showKeys);
    at("#view-out").addEventListener("click", () => this.#viewOut());
    this.#acts();
  }

  #acts() {
    const { act } = this.hand;
    at(`#acts input[value="${act}"]`).checked = true;
    at("#hint").textContent = ACTS[act].hint;
    at("#sides-of").hidden = act !== "even";
    if (act === "line" && !["trace", "conductor"].includes(this.kind)) this.kindOf("trace");
    if (["corners", "box", "even"].includes(act) && ["trace", "conductor"].includes(this.kind)) this.kindOf("logic");
  }

  list() {
    listAll(at("#all"), this.drawing, this.numbers, this.look, this.hand.chosen, {
      choose: (index) => this.hand.choose(index),
      hide: (kind, hidden) => {
        this.look.hidden[hidden ? "add" : "delete"](kind);
        this.hand.redraw();
      },
    });
    at("#undo").disabled = !this.drawing.canUndo;
    at("#redo").disabled = !this.drawing.canRedo;
  }

  one() {
    const { feature, chosen } = this.hand;
    const details = feature ? this.details.get(feature) : null;
    showOne(at("#one"), feature, this.numbers?.blocks?.[chosen], details, this.look, this.look.umPerPx);
    showFound(this.hand.found.getSource(), details?.lines);
    if (!feature) return;
    if (shownOnly) at("#one").querySelectorAll("input, select").forEach((field) => (field.disabled = true));
    const { edits } = this;
    const changed = (id, given) => at(id)?.addEventListener("change", ({ target }) => given(target.value.trim()));
    changed("#one-name", (name) => name && edits.change({ name }));
    changed("#one-kind", (kind) => edits.change({ kind }));
    changed("#one-notes", (notes) => edits.change({ notes }));
    changed("#one-width", (width) => edits.change({ width_um: Number(width) || undefined }));
    at("#one").querySelectorAll("[data-known]").forEach((field) =>
      field.addEventListener("change", () => edits.change({ [field.dataset.known]: numbersIn(field.value) })),
    );
    at("#one").querySelectorAll("[data-do]").forEach((button) => button.addEventListener("click", () => edits.do(button.dataset.do)));
  }

  // Numbers of the whole drawing; only the newest answer counts.
  async measure() {
    const asked = this.drawing.document;
    if (!this.look.umPerPx) return;
    try {
      const found = await ask("POST", "numbers", { document: asked });
      if (asked !== this.drawing.document) return;
      this.numbers = found;
      this.list();
      if (!at("#one").contains(document.activeElement)) this.one();
      else at("#one-numbers").innerHTML = numbersOf(found.blocks[this.hand.chosen]);
    } catch (error) {
      if (error instanceof Refused) trouble(error.message);
      else throw error;
    }
  }

  #where(coordinate) {
    const scale = this.setup.scale;
    const [x, y] = [coordinate[0], -coordinate[1]];
    const text = scale ? `${lengthOf(x * scale.um_per_px_x)}, ${lengthOf(y * scale.um_per_px_y)}` : `${plain(x)}, ${plain(y)} px`;
    at("#place").textContent = text;
  }

  #viewOut() {
    question(
      "Save this view as a picture",
      `<label>Width in pixels <input name="width" type="number" min="200" max="8000" value="2400" required></label>
       <label><input name="legend" type="checkbox" checked> legend</label>
       <label><input name="names" type="checkbox"${this.look.names ? " checked" : ""}> names</label>`,
      "Save",
      async (given) => {
        const [x0, y0, x1, y1] = this.die.view.calculateExtent(this.die.map.getSize());
        const picture = await ask("POST", "view", {
          document: this.drawing.document,
          box_px: [x0, -y1, x1, -y0],
          width_px: Number(given.get("width")),
          legend: given.has("legend"),
          names: given.has("names"),
          picture: this.shown.picture,
          hidden: [...this.look.hidden],
        });
        const link = document.createElement("a");
        link.href = URL.createObjectURL(picture);
        link.download = "view.png";
        link.click();
        URL.revokeObjectURL(link.href);
      },
    );
  }
}

begin().catch((error) => {
  trouble(error instanceof Refused ? error.message : `the page could not start: ${error.message}`);
  if (!(error instanceof Refused)) throw error;
});
