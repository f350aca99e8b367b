// What is asked of the watch, and what is sent to it. An answer names the frame that it belongs to.
export const CUT_OFF = "Cut off from the watch: nothing was done. Press again once it is back.";

const PATIENCE_MS = 15000; // an answer that takes longer has been lost on its way
export const DECODING_MS = 90000; // one for which frames may have to be decoded again

// JSON from an address: null where there is none; undefined where the watch can't be reached.
export async function read(address, patience = PATIENCE_MS) {
  const waiting = new AbortController();
  const end = setTimeout(() => waiting.abort(), patience);
  try {
    const answer = await fetch(address, { signal: waiting.signal });
    return answer.ok ? await answer.json() : null;
  } catch {
    return undefined;
  } finally {
    clearTimeout(end);
  }
}

// One thing to be done: it is sent as often as it takes, and done once, since each try has one name.
export function deed(address) {
  const once = crypto.randomUUID ? crypto.randomUUID() : String(Math.random()).slice(2) + Date.now();
  return async (body = {}) => {
    const request = { method: "POST", headers: { "content-type": "application/json", "x-once": once + digest(body) }, body: JSON.stringify(body) };
    try {
      const answer = await fetch(address, request);
      const isJson = answer.headers.get("content-type")?.includes("json");
      return { ...(isJson ? await answer.json() : { say: await answer.text() }), isDone: answer.ok, code: answer.status };
    } catch {
      return { isDone: false, code: 0, say: CUT_OFF };
    }
  };
}

export const send = (address, body) => deed(address)(body);

// Another answer in the same form is another deed.
function digest(body) {
  let sum = 0;
  for (const sign of JSON.stringify(body)) sum = (Math.imul(sum, 31) + sign.codePointAt(0)) | 0;
  return `.${sum >>> 0}`;
}
