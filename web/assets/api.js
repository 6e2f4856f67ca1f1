// Talking to the recorder, and noticing when it is gone.

const RETRY_FIRST_MS = 1000;
const RETRY_MOST_MS = 15000;

/** An address with its parameters; those that are undefined are left out. */
export function addressOf(path, parameters) {
  const given = Object.entries(parameters).filter(([, value]) => value !== undefined);
  const query = new URLSearchParams(given.map(([name, value]) => [name, String(value)])).toString();
  return query === "" ? path : `${path}?${query}`;
}

/** One answer as JSON; throws with the recorder's own words when it refuses. */
export async function ask(path, parameters = {}, signal = undefined) {
  return answered(await fetch(addressOf(path, parameters), { signal }));
}

/** Tells the recorder something to be done; throws with its own words when it refuses, with the answer's status, and with `problems` if it names any. */
export async function tell(path, body) {
  const headers = { "content-type": "application/json" };
  return answered(await fetch(path, { method: "POST", headers, body: JSON.stringify(body) }));
}

async function answered(response) {
  if (response.ok) return response.status === 204 ? null : response.json();
  // The session has ended, here or with the recorder: the way in is where the token is asked for.
  if (response.status === 401) location.assign("/login");
  const problem = await response.json().catch(() => ({}));
  const error = new Error(problem.detail ?? `the recorder answered ${response.status}`);
  error.problems = problem.problems;
  error.status = response.status;
  throw error;
}

/** A live stream; `onMessage` gets each message, `onState` true when it flows and false when it does not. */
export function follow(onMessage, onState, path = "/api/v1/live") {
  let retryMs = RETRY_FIRST_MS;
  const open = () => {
    const source = new EventSource(path);
    source.onmessage = (event) => {
      retryMs = RETRY_FIRST_MS;
      onState(true);
      onMessage(JSON.parse(event.data));
    };
    source.onerror = () => {
      onState(false);
      // The browser tries again by itself, with the place it had got to, unless the answer was a refusal.
      if (source.readyState !== EventSource.CLOSED) return;
      setTimeout(open, retryMs);
      retryMs = Math.min(retryMs * 2, RETRY_MOST_MS);
    };
  };
  open();
}
