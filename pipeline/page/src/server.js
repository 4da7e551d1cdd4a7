// Talking to the server: every answer is JSON, every refusal one line for the person.
const key = document.querySelector('meta[name="dieplat-key"]').content;

// A published folder has the answers as files and takes no changes.
export const shownOnly = document.documentElement.dataset.mode === "show";
const FILES = { setup: "setup.json", drawing: "drawing.json", numbers: "numbers.json", details: "details.json" };

export class Refused extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

export async function ask(method, path, body, headers = {}) {
  if (shownOnly) return fromFile(path, body);
  let answer;
  try {
    answer = await fetch(path, {
      method,
      headers: { "x-dieplat-key": key, ...(body ? { "content-type": "application/json" } : {}), ...headers },
      body: body ? JSON.stringify(body) : undefined,
      credentials: "same-origin",
    });
  } catch {
    throw new Refused(0, "the program behind this page does not answer; start dieplat annotate again");
  }
  if (answer.status === 304) return null;
  const type = answer.headers.get("content-type") ?? "";
  if (!answer.ok) {
    const told = type.includes("json") ? (await answer.json()).error : (await answer.text()).trim();
    throw new Refused(answer.status, told || `the server answered ${answer.status}`);
  }
  return type.includes("json") ? answer.json() : answer.blob();
}

async function fromFile(path, body) {
  const answer = await fetch(FILES[path] ?? path);
  if (!answer.ok) throw new Refused(answer.status, "this page is to look at; that part was not published");
  const found = await answer.json();
  return path === "details" ? (found[body.index] ?? { block: null, warnings: [] }) : found;
}
