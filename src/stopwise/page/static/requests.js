// What is asked of the watch, and what is sent to it.
export const UNREACHED = "The watch can't be reached. Nothing was changed.";

// JSON from an address; null where there is none.
export async function read(address) {
  const answer = await fetch(address).catch(() => null);
  return answer?.ok ? answer.json() : null;
}

// Have an action done; its answer in JSON, with `isDone`. Never fails.
export async function send(address, body = {}) {
  const request = { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  const answer = await fetch(address, request).catch(() => null);
  if (!answer) return { isDone: false, say: UNREACHED };
  const isJson = answer.headers.get("content-type")?.includes("json");
  return { ...(isJson ? await answer.json() : { say: await answer.text() }), isDone: answer.ok };
}
