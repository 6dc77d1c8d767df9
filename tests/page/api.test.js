// The API's description: valid OpenAPI 3.1, and true of what the page really answers in every scene.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { Ajv2020 } from "ajv/dist/2020.js";
import { Validator } from "@seriousme/openapi-schema-validator";
import { Rig, stopAll } from "./rig.js";

/** @type {Rig} */ let rig;
let doc;
before(async () => {
  rig = await Rig.start();
  doc = await rig.get("/api/v1/openapi.json");
});
after(stopAll);

/** Every object may only have what is described: a field that nobody described is found too. */
function closed(schema) {
  if (Array.isArray(schema)) return schema.map(closed);
  if (!schema || typeof schema !== "object") return schema;
  const inner = Object.fromEntries(Object.entries(schema).map(([k, v]) => [k, closed(v)]));
  return schema.properties ? { ...inner, additionalProperties: false } : inner;
}

function checker(name) {
  const ajv = new Ajv2020({ strict: false, allErrors: true });
  ajv.addSchema(closed({ $id: "doc", components: doc.components }));
  return ajv.compile({ $ref: `doc#/components/schemas/${name}` });
}

test("the description is valid OpenAPI 3.1", async () => {
  const result = await new Validator().validate(structuredClone(doc));
  assert.ok(result.valid, JSON.stringify(result.errors));
});

test("what is answered in every scene is what is described", async () => {
  const [snapshot, why, history, session, parity] = ["Snapshot", "Why", "History", "Session", "Parity"].map(checker);
  const check = (is, value, where) => assert.ok(is(value), `${where}: ${JSON.stringify(is.errors)}`);
  check(session, await rig.get("/api/v1/session"), "session");
  for (const scene of await rig.get("/fake/scenes")) {
    await rig.scene(scene);
    check(snapshot, await rig.get("/api/v1/snapshot"), scene);
    check(why, await rig.get("/api/v1/why"), scene);
    check(parity, await rig.get("/api/v1/parity"), scene);
    for (const window of ["10s", "5min", "song"]) check(history, await rig.get(`/api/v1/history?window=${window}`), `${scene} ${window}`);
  }
});

test("the check and the shows are answered as described", async () => {
  const [view, outcome] = ["CheckView", "Outcome"].map(checker);
  for (const name of ["never", "waiting", "passed", "failed"]) {
    await rig.get(`/fake/check/${name}`);
    assert.ok(view(await rig.get("/api/v1/check")), `${name}: ${JSON.stringify(view.errors)}`);
  }
  const ask = (method, body) => fetch(`${rig.url}/api/v1/check`, { method, headers: { "content-type": "application/json", origin: rig.url }, body: body && JSON.stringify(body) });
  for (const request of [{ depth: "full" }, { depth: "fast", word: { desk_muted: true, level: null, parked: [] } }]) {
    assert.ok(checker("CheckRequest")(request));
    assert.ok(outcome(await (await ask("POST", request)).json()), JSON.stringify(outcome.errors));
  }
  assert.equal((await ask("DELETE")).status, 204);
  const none = await ask("DELETE");
  assert.equal(none.status, 404);
  assert.ok(checker("Problem")(await none.json()));
  const history = checker("MachineHistory");
  for (const letter of ["A", "B"]) {
    const told = await rig.get(`/api/v1/machines/${letter}/history`);
    assert.ok(history(told), JSON.stringify(history.errors));
    assert.equal(told.machine, letter);
  }
  const addresses = checker("Addresses");
  assert.ok(addresses(await rig.get("/api/v1/address")), JSON.stringify(addresses.errors));
  const lines = await rig.get("/api/v1/shows");
  assert.equal(lines.length, 6);
  const [line, figures] = ["ShowLine", "ShowFigures"].map(checker);
  for (const l of lines) assert.ok(line(l), JSON.stringify(line.errors));
  for (const l of lines.filter((l) => !l.error)) assert.ok(figures(await rig.get(`/api/v1/shows/${l.id}`)), JSON.stringify(figures.errors));
});

test("acts and problems are answered as described", async () => {
  await rig.scene("apart");
  const post = (body) => fetch(`${rig.url}/api/v1/act`, { method: "POST", headers: { "content-type": "application/json", origin: rig.url }, body: JSON.stringify(body) });
  const outcome = checker("Outcome");
  for (const act of [{ act: "changeover", to: "B" }, { act: "changeover", to: "B", forced: true }, { act: "set-mode", mode: "act" }, { act: "acknowledge", alarm: 1 }, { act: "shelve", alarm: 1, minutes: 5 }, { act: "out-of-service", machine: "A" }, { act: "back-in-service", machine: "A" }, { act: "set-move", from: 3, to: 4, song: 3 }, { act: "set-skip", place: 4, skip: true, song: 3 }, { act: "set-add", song: 5 }, { act: "set-restore" }, { act: "session-loaded", machine: "B" }, { act: "look-again" }, { act: "start-anew" }, { act: "test-alarm-sound" }, { act: "release" }, { act: "answer-proposal", id: 1, yes: true }]) {
    assert.ok(checker("ActRequest")({ do: act }), JSON.stringify(act));
    const answer = await post({ do: act });
    assert.equal(answer.status, 200, JSON.stringify(act));
    assert.ok(outcome(await answer.json()), JSON.stringify([act, outcome.errors]));
  }
  const answer = await post({ do: { act: "none" } });
  assert.equal(answer.status, 422);
  assert.ok(checker("Problem")(await answer.json()));
});
