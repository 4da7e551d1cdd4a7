// How things are shown: fill, names, which picture, what lies beside it, brightness.
import { at } from "./told.js";
import { escaped } from "./words.js";

export class Shown {
  constructor(setup, die, look, hand) {
    Object.assign(this, { setup, die, look, hand });
    at("#fill").addEventListener("input", () => {
      look.strength = Number(at("#fill").value) / 100;
      hand.redraw();
    });
    at("#names").addEventListener("change", () => {
      look.names = at("#names").checked;
      hand.redraw();
    });
    this.#pictures();
    for (const name of ["low", "high", "gamma"]) at(`#${name}`).addEventListener("change", () => this.#takeTone());
    at("#plain").addEventListener("click", () => {
      die.tones[this.picture] = { ...setup.pictures[this.picture].tone };
      this.#showTone();
      die.show(0, this.picture);
    });
    this.#showTone();
  }

  get picture() {
    return Number(at("#picture").value || 0);
  }

  get #top() {
    return this.setup.pictures[this.picture].dtype === "uint16" ? 65535 : 255;
  }

  #pictures() {
    const { setup, die } = this;
    const names = setup.pictures.map(({ name }, index) => `<option value="${index}">${escaped(name)}</option>`).join("");
    at("#picture").innerHTML = names;
    at("#beside").innerHTML = `<option value="">nothing</option>${names}`;
    at("#beside-row").hidden = setup.pictures.length < 2;
    this.#offerOthers();
    at("#picture").addEventListener("change", () => {
      die.show(0, this.picture);
      this.#offerOthers();
      this.#showTone();
    });
    at("#beside").addEventListener("change", () => this.#showBeside());
    at("#divide-at").addEventListener("input", () => die.divideAt(Number(at("#divide-at").value) / 1000));
  }

  // A picture beside itself shows nothing.
  #offerOthers() {
    for (const option of at("#beside").options) option.hidden = option.disabled = option.value === String(this.picture);
    if (at("#beside").value !== String(this.picture)) return;
    at("#beside").value = "";
    this.#showBeside();
  }

  async #showBeside() {
    const chosen = at("#beside").value;
    await this.die.show(1, chosen === "" ? null : Number(chosen));
    at("#divider").hidden = !this.die.isDivided;
  }

  #showTone() {
    const { low, high, gamma } = this.die.tones[this.picture];
    at("#low").value = Math.round((1000 * low) / this.#top);
    at("#high").value = Math.round((1000 * high) / this.#top);
    at("#gamma").value = Math.round(-50 * Math.log2(gamma));
  }

  #takeTone() {
    const low = Math.min(Number(at("#low").value), 998);
    const high = Math.max(Number(at("#high").value), low + 1);
    const gamma = 2 ** (-Number(at("#gamma").value) / 50);
    const level = (share) => Math.round((share * this.#top) / 1000);
    this.die.tones[this.picture] = { low: level(low), high: level(high), gamma: Number(gamma.toFixed(3)) };
    this.#showTone();
    this.die.show(0, this.picture);
  }
}
