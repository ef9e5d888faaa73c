// Asking the desk. What is changed is asked for one after the other, so that no answer overtakes another.
import { say } from "./words.js";
import { tell } from "./dom.js";

export class Wrong extends Error {
  constructor(status, body) {
    super((body.problems ?? []).map((one) => one.what).join("\n") || say(status === 413 ? "too_much" : "gone"));
    this.status = status;
    this.problems = body.problems ?? [];
    this.elsewhere = body.elsewhere ?? null;
  }
}

export const path = (name) => name.split("/").map(encodeURIComponent).join("/");

export async function ask(where, body, { signal } = {}) {
  let answer;
  try {
    answer = await fetch(where, body === undefined ? { signal } : {
      method: "POST", signal, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
    });
  } catch (fault) {
    if (fault.name === "AbortError") throw fault;
    tell(say("gone"));
    throw new Wrong(0, {});
  }
  let found = {};
  try { found = await answer.json(); } catch { /* plain text of a refusal */ }
  if (!answer.ok) throw new Wrong(answer.status, found);
  return found;
}

export async function send(where, file) {
  let answer;
  try {
    answer = await fetch(where, {
      method: "POST", body: file,
      headers: { "Content-Type": "application/octet-stream", "X-File-Name": encodeURIComponent(file.name) },
    });
  } catch { throw new Wrong(0, {}); }
  let found = {};
  try { found = await answer.json(); } catch { /* plain text of a refusal */ }
  if (!answer.ok) throw new Wrong(answer.status, found);
  return found;
}

let last = Promise.resolve();
export function inTurn(work) {
  const mine = last.then(work, work);
  last = mine.catch(() => {});
  return mine;
}
