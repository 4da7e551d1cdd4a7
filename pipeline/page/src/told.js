// What the page says to the person: a hint, a trouble, whether all is saved, a question, the keys.
import { escaped } from "./words.js";

export const at = (selector) => document.querySelector(selector);

export function told(text) {
  at("#hint").textContent = text;
}

export function trouble(text, buttons = []) {
  const place = at("#trouble");
  place.hidden = false;
  place.innerHTML = `<p>${escaped(text)}</p>`;
  for (const [label, act] of [...buttons, ["Close", () => {}]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = label;
    button.addEventListener("click", () => {
      place.hidden = true;
      act();
    });
    place.append(button);
  }
}

export function savedOrNot({ state, text }, file, drawing) {
  const kept = at("#kept");
  kept.dataset.state = state;
  const time = new Date().toLocaleTimeString("en-GB");
  kept.textContent = { saved: `saved ${time} in ${file}`, saving: "saving …", renewed: `loaded anew ${time}: changed elsewhere`, shown: "to look at" }[state] ?? "not saved";
  if (state === "saved") at("#trouble").hidden = true;
  if (state === "unsaved") trouble(text, [["Try again", () => drawing.save()]]);
  if (state === "conflict")
    trouble("This drawing was changed in another page or program after this page read it. Nothing was overwritten.", [
      ["Load theirs", () => drawing.takeTheirs()],
      ["Keep mine", () => drawing.keepMine()],
    ]);
}

// A question with fields; `act` gets the answers, and what it throws is shown beside them.
export function question(title, fields, label, act) {
  const dialog = at("#ask");
  dialog.setAttribute("aria-label", title);
  dialog.innerHTML = `<form method="dialog"><h2>${title}</h2>${fields}<p class="told" role="alert"></p><p class="row buttons"><button type="button" value="no">Leave it</button><button value="yes">${label}</button></p></form>`;
  dialog.querySelector('[value="no"]').addEventListener("click", () => dialog.close());
  dialog.querySelector("form").addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      await act(new FormData(event.target));
      dialog.close();
    } catch (error) {
      dialog.querySelector(".told").textContent = error.message;
    }
  });
  dialog.showModal();
}
