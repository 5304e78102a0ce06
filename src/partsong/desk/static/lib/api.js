// Talks to the desk's API: JSON in and out, errors as one sentence.

/** What the desk refused, with its sentence. `kind` is the name of the error, such as Conflict. */
export class Refused extends Error {
  /** @param {string} kind @param {string} sentence @param {number} status */
  constructor(kind, sentence, status) {
    super(sentence);
    this.kind = kind;
    this.status = status;
  }
}

/** @param {string} path @param {RequestInit} [options] @returns {Promise<Response>} */
async function asked(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Refused("Away", "The desk does not answer: it may have been closed in the terminal. Start it again with partsong desk.", 0);
  }
  if (answer.ok) return answer;
  const said = await answer.json().catch(() => null);
  throw new Refused(said?.error?.kind ?? "Unforeseen", said?.error?.sentence ?? "The desk gave no reason.", answer.status);
}

/** @param {string} path @param {Record<string, string | number>} [query] @returns {Promise<any>} */
export async function get(path, query) {
  const text = query ? "?" + new URLSearchParams(Object.entries(query).map(([key, value]) => [key, String(value)])) : "";
  return (await asked(path + text)).json();
}

/** @param {string} path @returns {Promise<ArrayBuffer>} */
export async function bytes(path) {
  return (await asked(path)).arrayBuffer();
}

/** @param {string} path @param {object} [body] @returns {Promise<any>} */
export async function post(path, body) {
  const options = { method: "POST", headers: { "Content-Type": "application/json" }, body: body && JSON.stringify(body) };
  return (await asked(path, options)).json();
}

/** Send what is no JSON, such as a picture. @param {string} path @param {Blob} body @returns {Promise<any>} */
export async function send(path, body) {
  return (await asked(path, { method: "POST", headers: { "Content-Type": body.type }, body })).json();
}
