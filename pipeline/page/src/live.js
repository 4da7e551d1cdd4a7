// Numbers while the hand moves: of the whole drawing after a change, of one shape as it is being drawn.
import { numbersOf } from "./book.js";
import { ask } from "./server.js";
import { at, told } from "./told.js";

const EVERY_MS = 120;

export class Live {
  #timer = null;
  #pending = null;

  constructor(drawing, look, hand) {
    Object.assign(this, { drawing, look, hand });
    hand.addEventListener("live", ({ detail }) => this.#take(detail));
  }

  // At most so many times a second, and always the newest shape.
  #take({ geometry, stroke }) {
    this.#pending = { geometry: closedUp(geometry), stroke };
    if (!isShape(this.#pending.geometry) || this.#timer || !this.look.umPerPx) return;
    this.#timer = setTimeout(() => {
      this.#timer = null;
      if (isShape(this.#pending.geometry)) this.#measure(this.#pending);
    }, EVERY_MS);
  }

  // An answer that comes when the hand is done with the shape is not shown: other numbers stand there by then.
  async #measure({ geometry, stroke }) {
    const kind = geometry.type === "LineString" ? "trace" : "other";
    const now = { type: "Feature", properties: { name: "now", kind }, geometry };
    const dies = this.drawing.features.filter(({ properties }) => properties.kind === "die" && !properties.proposed);
    try {
      const found = await ask("POST", "numbers", { document: { type: "FeatureCollection", features: [...dies, now] } });
      if (stroke !== this.hand.stroke) return;
      const table = numbersOf(found.blocks.at(-1));
      const place = at("#one-numbers");
      if (this.hand.act === "look" && place) place.innerHTML = table;
      else if (this.hand.isDrawing) told(textOf(table));
    } catch {
      // An outline that is not one yet has no numbers.
    }
  }
}

// A ring under the hand may not be closed yet.
function closedUp(geometry) {
  if (geometry.type !== "Polygon") return geometry;
  const coordinates = geometry.coordinates.map((ring) => {
    const [first, last] = [ring[0], ring.at(-1)];
    return first[0] === last[0] && first[1] === last[1] ? ring : [...ring, first];
  });
  return { ...geometry, coordinates };
}

// Whether there are places enough for an area or a length.
function isShape({ type, coordinates }) {
  const distinct = (points) => new Set(points.map(String)).size;
  if (type === "LineString") return distinct(coordinates) > 1;
  return type !== "Polygon" || coordinates.every((ring) => distinct(ring) > 2 && doubleArea(ring) > 0);
}

function doubleArea(ring) {
  return Math.abs(ring.slice(1).reduce((sum, [x, y], k) => sum + ring[k][0] * y - x * ring[k][1], 0));
}

function textOf(html) {
  const table = document.createElement("table");
  table.innerHTML = html;
  return [...table.rows].map((row) => [...row.cells].map((cell) => cell.textContent).join(" ")).join(" · ");
}
