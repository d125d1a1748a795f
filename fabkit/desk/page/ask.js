/* Talking to the desk: every answer is data, or an error that says what, where and what to do. */

export class Refused extends Error {
  constructor(status, { message, hint, line, key } = {}) {
    super(message || "the desk answered with status " + status);
    Object.assign(this, { status, hint: hint || "", line: line || null, key: key || null });
  }
}

/* The desk does not answer at all. */
export class Lost extends Error {}

async function send(path, { method = "GET", body, headers = {}, signal } = {}) {
  let answer;
  try {
    answer = await fetch(path, { method, body, headers, signal, cache: "no-store" });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Lost("the desk does not answer");
  }
  if (answer.ok) return answer;
  let said = {};
  try {
    said = await answer.json();
  } catch {
    /* Not one of the desk's own answers: the status is all there is. */
  }
  throw new Refused(answer.status, said);
}

export async function ask(path, options) {
  const answer = await send(path, options);
  return answer.status === 204 ? null : answer.json();
}

export async function askText(path, options) {
  return (await send(path, options)).text();
}

export const post = (path, value = {}, headers = {}) =>
  ask(path, {
    method: "POST",
    body: JSON.stringify(value),
    headers: { "Content-Type": "application/json", ...headers },
  });
