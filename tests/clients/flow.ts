// The worked flow with the generated TypeScript types: run by itself, prints what it saw.
// It is called with the service's address, a user name, a password and a family name.

import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";
import createClient, { type Client } from "openapi-fetch";
import type { components, paths } from "./fallow.d.ts";

// Of the answers that an address can give, those that this client asks for.
type Json = "application/json" | "application/problem+json";
type Api = Client<paths, Json>;
type Slot = components["schemas"]["SlotOut"];
type Visit = components["schemas"]["AppointmentInRequest"];

const DAY_MS = 24 * 60 * 60 * 1000;

const [address = "", userName = "", password = "", familyName = ""] = process.argv.slice(2);

/** What came, where an answer is good; else an error that says what was told instead. */
function good<T>(answer: { data?: T; error?: unknown }): T {
  if (answer.data === undefined) {
    throw new Error(JSON.stringify(answer.error));
  }
  return answer.data;
}

/** The code of a refusal. */
function refusal(answer: { error?: components["schemas"]["Problem"] }): string {
  assert(answer.error !== undefined, "not refused");
  return answer.error.code;
}

async function signIn(): Promise<Api> {
  const anyone = createClient<paths, Json>({ baseUrl: address });
  const wrong = await anyone.POST("/api/v1/tokens", {
    body: { user_name: userName, password: "not it" },
  });
  refusal(wrong);
  const { token } = good(
    await anyone.POST("/api/v1/tokens", { body: { user_name: userName, password } }),
  );
  const headers = { Authorization: `Bearer ${token}` };
  return createClient<paths, Json>({ baseUrl: address, headers });
}

async function bestSlot(api: Api, course: number): Promise<Slot> {
  const now = Date.now();
  const { slots } = good(
    await api.POST("/api/v1/slot-searches", {
      body: {
        course,
        start: new Date(now).toISOString(),
        end: new Date(now + 7 * DAY_MS).toISOString(),
        minutes: 30,
        limit: 3,
      },
    }),
  );
  assert(slots[0] !== undefined, "no slot");
  return slots[0];
}

async function bookAndCancel(api: Api, slot: Slot, course: number) {
  const { start, clinic, room, operator, laser, handpieces, wavelengths_nm } = slot;
  const place = { clinic, room, operator, laser, handpieces, wavelengths_nm };
  const visit: Visit = { course, start, minutes: 30, ...place };
  const book = (key: string) =>
    api.POST("/api/v1/appointments", {
      params: { header: { "Idempotency-Key": key } },
      body: visit,
    });
  const key = randomUUID();
  const booked = good(await book(key));
  const repeated = good(await book(key));
  const again = await book(randomUUID());

  const path = { id: String(booked.id) };
  const read = await api.GET("/api/v1/appointments/{id}", { params: { path } });
  const tag = read.response.headers.get("ETag");
  assert(tag !== null, "no ETag");
  const unchanged = await api.GET("/api/v1/appointments/{id}", {
    params: { path, header: { "If-None-Match": tag } },
  });

  const cancel = () =>
    api.POST("/api/v1/appointments/{id}/cancel", {
      params: { path, header: { "If-Match": tag } },
      body: { reason: "The patient called" },
    });
  const cancelled = good(await cancel());
  const stale = await cancel();
  return {
    appointment: booked.id,
    repeated: repeated.id,
    starts_at: good(read).starts_at,
    statuses: [booked.status, good(read).status, cancelled.status],
    unchanged: unchanged.response.status,
    refused: [refusal(again), refusal(stale)],
  };
}

const api = await signIn();
const patients = good(
  await api.POST("/api/v1/patient-searches", { body: { name: familyName } }),
);
const [patient] = patients.items;
assert(patient !== undefined && patients.items.length === 1, "not one patient");
const courses = good(
  await api.GET("/api/v1/courses", { params: { query: { patient: patient.id } } }),
);
const [course] = courses.items;
assert(course !== undefined && courses.items.length === 1, "not one course");
const seen = await bookAndCancel(api, await bestSlot(api, course.id), course.id);
console.log(JSON.stringify({ patient: patient.id, course: course.id, ...seen }));
