// Speaking to the server: the token of the address goes along in a header, a refusal comes back as sentences.

const token = new URLSearchParams(location.search).get("token") ?? "";

/** What the server said no to: `faults` are its sentences, field by field; `state` where there is a newer one. */
export class Refused extends Error {
  constructor(status, faults, state) {
    super(faults.map(sentence).join("\n"));
    Object.assign(this, { status, faults, state });
  }
}

/** A fault in words. */
export function sentence({ message, wanted, found, hint }) {
  const more = [wanted && `wanted: ${wanted}`, found && `found: ${found}`, hint].filter(Boolean).join("; ");
  return more ? `${message} (${more})` : message;
}

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, { ...options, headers: { "x-bench-token": token, ...options.headers } });
  } catch {
    throw new Refused(0, [{ message: "the workbench does not answer", hint: "it was ended; start it again, nothing is lost" }]);
  }
  if (answer.ok) return answer;
  const kind = answer.headers.get("content-type") ?? "";
  const said = kind.startsWith("application/json") ? await answer.json() : { faults: [{ message: await answer.text() }] };
  const faults = said.faults ?? said.problem ?? (said.detail ? [{ message: "that cannot be", found: JSON.stringify(said.detail[0]?.msg) }] : []);
  throw new Refused(answer.status, faults, said.state);
}

/** JSON, or null where there is nothing new or nothing yet. */
export async function get(path) {
  const answer = await ask(path);
  return answer.status === 200 ? answer.json() : null;
}

/** JSON of what the engine has to finish first: asked for until it is there. */
export async function getFinished(path) {
  for (;;) {
    const answer = await ask(path);
    if (answer.status === 200) return answer.json();
  }
}

/** Bytes of what the engine has to finish first. */
export async function getBytes(path) {
  for (;;) {
    const answer = await ask(path);
    if (answer.status === 200) return answer.arrayBuffer();
  }
}

export async function post(path, body) {
  const options = { method: "POST", body: JSON.stringify(body), headers: { "content-type": "application/json" } };
  return (await ask(path, options)).json();
}

/** Take a file of a version to where the browser keeps what it loads; a report is shown instead. */
export async function takeFile(version, kind) {
  const answer = await ask(`/api/out/${version}/${kind}`);
  const name = /filename="([^"]+)"/.exec(answer.headers.get("content-disposition"))[1];
  const address = URL.createObjectURL(await answer.blob());
  const link = document.createElement("a");
  Object.assign(link, { href: address, download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
  return name;
}
