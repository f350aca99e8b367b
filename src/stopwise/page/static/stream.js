// The live stream: one EventSource that comes back by itself, misses nothing, and notices a dead line.
const AGAIN_MS = 1000;
const SILENT_MS = 8000; // the watch says something every 3 s

export function listen({ after, state = () => {}, ...heard }) {
  let last = after;
  let source;
  let silence;

  function open() {
    source = new EventSource(`/events?after=${last}`);
    source.onopen = alive;
    source.onerror = () => {
      state(false);
      if (source.readyState === EventSource.CLOSED) again();
    };
    source.addEventListener("frame", (event) => {
      last = Math.max(last, Number(event.lastEventId) || 0);
    });
    for (const [name, call] of Object.entries(heard)) {
      source.addEventListener(name, (event) => {
        alive();
        call(JSON.parse(event.data));
      });
    }
    watchSilence();
  }

  function alive() {
    state(true);
    watchSilence();
  }

  function watchSilence() {
    clearTimeout(silence);
    silence = setTimeout(() => {
      state(false);
      again();
    }, SILENT_MS);
  }

  function again() {
    clearTimeout(silence);
    source.close();
    setTimeout(open, AGAIN_MS);
  }

  open();
}
