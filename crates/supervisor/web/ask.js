// One way to ask the supervisor. It resolves always: what could not be had is said in words, not thrown.

/** @typedef {{ok: boolean, status: number, said: any, text: string}} Answer `status` 0: none came; `text`: what is wrong, in words */

/**
 * @param {string} path below the API's root
 * @param {{method?: string, body?: unknown, within?: number}} [how] `within`: ms
 * @returns {Promise<Answer>}
 */
export async function ask(path, { method = "GET", body, within = 3000 } = {}) {
  try {
    const answer = await fetch(`/api/v1/${path}`, {
      method,
      headers: body === undefined ? {} : { "content-type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
      signal: AbortSignal.timeout(within),
    });
    const said = answer.status === 204 ? null : await answer.json();
    return { ok: answer.ok, status: answer.status, said, text: answer.ok ? "" : said?.detail ?? answer.statusText };
  } catch {
    return { ok: false, status: 0, said: null, text: "No answer from the supervisor." };
  }
}
