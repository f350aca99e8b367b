// The live stream: one EventSource that comes back by itself and misses nothing.
const AGAIN_MS = 1000;

export function listen({ after, state = () => {}, ...heard }) {
  let last = after;
  let source;

  function open() {
    source = new EventSource(`/events?after=${last}`);
    source.onopen = () => state(true);
    source.onerror = () => {
      state(false);
      if (source.readyState === EventSource.CLOSED) setTimeout(open, AGAIN_MS);
    };
    source.addEventListener("frame", (event) => {
      last = Math.max(last, Number(event.lastEventId) || 0);
    });
    for (const [name, call] of Object.entries(heard)) {
      source.addEventListener(name, (event) => call(JSON.parse(event.data)));
    }
  }

  open();
  return () => source.close();
}
