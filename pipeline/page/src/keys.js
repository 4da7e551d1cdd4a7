// Every key, and the list of them.
import { ACTS } from "./hand.js";
import { at } from "./told.js";

const LIST = [
  ["1 … 8", "what the hand draws; Escape goes back to nothing"],
  ["Arrow keys", "move the aim; with Shift by one screen pixel. With nothing being drawn they move the picture"],
  ["Space", "put a corner at the aim"],
  ["Enter", "end the outline or line"],
  ["Backspace", "take the last corner back"],
  ["K", "next kind for what is drawn"],
  [", and .", "corner by corner round the chosen block; arrow keys then move it by a pixel, with Shift by a tenth, with Ctrl by ten"],
  ["Insert, Delete", "a corner more, or this one less; Delete with no corner chosen removes the block"],
  ["N, P", "next and previous block"],
  ["+ and −", "nearer, farther"],
  ["0", "the whole die"],
  ["F", "the chosen block fills the view"],
  ["C", "copy the chosen block"],
  ["E", "find the chosen block's edges on the picture; held while you end an outline or a drag, at once for that one"],
  ["R", "read the chosen array or inductor from the picture"],
  ["A", "accept a proposed block"],
  ["Ctrl Z, Ctrl Shift Z", "undo, redo"],
  ["H", "this list"],
];
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

export function showKeys() {
  const dialog = at("#keys");
  const rows = LIST.map(([key, text]) => `<tr><th scope="row">${key}</th><td>${text}</td></tr>`).join("");
  dialog.innerHTML = `<form method="dialog"><h2 id="keys-title">Keys</h2><table><tbody>${rows}</tbody></table><p class="row buttons"><button>Close</button></p></form>`;
  dialog.showModal();
}

export class Keys {
  constructor(page, edits, { die, drawing, hand }) {
    Object.assign(this, { page, edits, die, drawing, hand });
    addEventListener("keydown", (event) => {
      if (event.target.closest("input, select, textarea, dialog[open]") && event.key !== "Escape") return;
      if (document.querySelector("dialog[open]")) return;
      if (event.target.closest("button, summary") && ["Enter", " "].includes(event.key)) return;
      if (this.#pressed(event)) event.preventDefault();
    });
    addEventListener("keyup", (event) => {
      if (event.key.toLowerCase() === "e") edits.release();
    });
    at("#die").addEventListener("blur", () => hand.showAim(null));
  }

  #pressed(event) {
    const { key, shiftKey: shift, ctrlKey: ctrl, metaKey: meta } = event;
    if ((ctrl || meta) && key.toLowerCase() === "z") {
      if (shift) this.drawing.redo();
      else if (!this.hand.takeBack()) this.drawing.undo();
      return true;
    }
    if (ARROWS[key] && !event.target.closest("#book")) {
      this.#arrow(...ARROWS[key], shift, ctrl);
      return true;
    }
    if (ctrl || meta || event.altKey) return false;
    const act = Object.entries(ACTS).find(([, one]) => one.key === key)?.[0];
    if (!act || key === "Escape") return this.#named(key);
    this.hand.doing(act);
    at("#die").focus();
    return true;
  }

  #arrow(x, y, shift, ctrl) {
    const { hand } = this;
    const step = shift ? 0.1 : ctrl ? 10 : 1;
    if (hand.act !== "look") hand.moveAim(x, y, shift);
    else if (hand.feature && hand.corner !== null) hand.moveCorner(x * step, y * step);
    else hand.pan(x * 80, y * 80);
  }

  #named(key) {
    const { hand, die } = this;
    if (key === "Escape") hand.stop();
    else if (key === " ") hand.act !== "look" && hand.place();
    else if (key === "Enter") hand.finish();
    else if (key === "Backspace") hand.takeBack();
    else if (key === "," || key === ".") hand.nextCorner(key === "." ? 1 : -1);
    else if (key === "Insert") hand.corner !== null && hand.addCorner();
    else if (key === "Delete") hand.corner !== null ? hand.dropCorner() : this.edits.do("remove");
    else if (key === "+" || key === "=") die.view.adjustZoom(1);
    else if (key === "-") die.view.adjustZoom(-1);
    else if (key === "0") die.whole();
    else return this.#letter(key.toLowerCase());
    return true;
  }

  #letter(key) {
    const { hand, drawing, edits, page } = this;
    if (key === "h" || key === "?") showKeys();
    else if (key === "e") edits.hold();
    else if (key === "k") page.nextKind();
    else if (key === "n" || key === "p") {
      const count = drawing.features.length;
      if (count) hand.choose(((hand.chosen ?? (key === "n" ? -1 : count)) + (key === "n" ? 1 : -1) + count) % count);
    } else if (key === "f") edits.do("show");
    else if (key === "c") edits.do("copy");
    else if (key === "r") edits.do("read");
    else if (key === "a") hand.feature?.properties.proposed && edits.do("accept");
    else return false;
    return true;
  }
}
