// Talking to the server: every answer is JSON, every refusal one line for the person.
const key = document.querySelector('meta[name="dieplat-key"]').content;

export class Refused extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

export async function ask(method, path, body, headers = {}) {
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
