// validate.js DOCUMENT RECORD…: checks exchanges with the daemon, recorded by harness.py,
// against its OpenAPI document: method, path and status must be described, a body must have
// a described type and, if it is JSON, be valid against its schema.
// Prints what is not, and ends with 1 then; else prints a JSON object: which operations
// answered which statuses how often.
"use strict";

const fs = require("node:fs");
const path = require("node:path");
const Ajv = require("ajv/dist/2020");
const addFormats = require("ajv-formats");

// What a path or a method that is not described may be answered with.
const ANYWHERE = ["bad_request", "forbidden", "wrong_host", "not_found", "wrong_method",
                  "unavailable"];
const COMPLAINTS_MAX = 40;

const [documentPath, ...records] = process.argv.slice(2);
const description = JSON.parse(fs.readFileSync(documentPath, "utf8"));
const ajv = new Ajv({ strict: true, allowUnionTypes: true, allErrors: true });
addFormats(ajv);
ajv.addVocabulary(Object.keys(description)); // the document as a whole is no schema
ajv.addSchema(description, "description.json");

const validators = new Map();

/** The compiled schema at a place of the document, given by its keys. */
function validator(...keys) {
  const escaped = keys.map((key) => encodeURIComponent(
    String(key).replaceAll("~", "~0").replaceAll("/", "~1")));
  const reference = `description.json#/${escaped.join("/")}`;
  if (!validators.has(reference))
    validators.set(reference, ajv.compile({ $ref: reference }));
  return validators.get(reference);
}

const templates = Object.keys(description.paths).map((template) => ({
  template,
  pattern: new RegExp(`^${template.split("/").map(
    (part) => (part.startsWith("{") ? "[^/]+" : part.replaceAll(".", "\\."))).join("/")}$`),
})).sort((a, b) => a.template.split("{").length - b.template.split("{").length);

function templateOf(target) {
  const found = templates.find(({ pattern }) => pattern.test(target));
  return found === undefined ? undefined : found.template;
}

function invalid(validate, value) {
  if (validate(value))
    return [];
  return validate.errors.slice(0, 6).map(
    (error) => `${error.instancePath || "/"} ${error.message} ${JSON.stringify(error.params)}`);
}

/** Sentences on what is wrong with an answer that the document describes only in general. */
function undescribed(exchange, body) {
  if (exchange.method === "OPTIONS" && exchange.status === 204)
    return [];
  if (exchange.method === "HEAD" && [400, 404, 405, 421, 503].includes(exchange.status))
    return [];
  if (exchange.type !== "application/problem+json")
    return ["neither method and path are described, nor is the answer a problem"];
  if (!ANYWHERE.includes(body.code))
    return [`${body.code} where neither method nor path are described`];
  return invalid(validator("components", "schemas", "problem"), body);
}

/** Sentences on what is wrong with an answer. Counts it in `seen`. */
function check(exchange, seen) {
  const body = exchange.body === null ? null : JSON.parse(exchange.body);
  const template = templateOf(exchange.path);
  const method = exchange.method === "HEAD" ? "get" : exchange.method.toLowerCase();
  const operation = template && description.paths[template][method];
  if (operation === undefined)
    return undescribed(exchange, body);
  const response = operation.responses[exchange.status];
  if (response === undefined)
    return [`the status is not described ${exchange.body}`];
  const key = `${method.toUpperCase()} ${template}`;
  seen[key] = seen[key] || {};
  seen[key][exchange.status] = (seen[key][exchange.status] || 0) + 1;
  if (response.content === undefined)
    return exchange.length > 0 ? ["there is a body where none is described"] : [];
  if (exchange.method === "HEAD")
    return [];
  if (response.content[exchange.type] === undefined)
    return [`the type ${exchange.type} is not described`];
  if (body === null)
    return [];
  return invalid(validator("paths", template, method, "responses", exchange.status,
                           "content", exchange.type, "schema"), body);
}

const seen = {};
const complaints = new Map(); // a sentence with its first example
let count = 0;
for (const record of records) {
  for (const line of fs.readFileSync(record, "utf8").split("\n")) {
    if (line === "")
      continue;
    const exchange = JSON.parse(line);
    count++;
    for (const wrong of check(exchange, seen)) {
      const about = `${exchange.method} ${templateOf(exchange.path)} ${exchange.status}`;
      complaints.set(`${about}: ${wrong.slice(0, 400)}`, `${exchange.path} in ${path.basename(record)}`);
    }
  }
}
if (complaints.size > 0) {
  for (const [complaint, example] of [...complaints].slice(0, COMPLAINTS_MAX))
    console.error(`${complaint} (such as ${example})`);
  console.error(`${complaints.size} complaints about ${count} exchanges`);
  process.exitCode = 1;
} else {
  console.log(JSON.stringify({ count, seen }));
}
