// An HMI's driver on one of two libraries of the npm registry, told by lines of JSON what to do.
//
// `node npm_hmi.js LIBRARY`; the libraries are found through NODE_PATH. Each line of stdin is
// {"id", "do", ...}, each line of stdout the answer to one: {"id", "result"} or {"id", "error"}.
"use strict";

const net = require("net");
const readline = require("readline");

const HOST = "127.0.0.1";

function connected(socket) {
  return new Promise((resolve, reject) => {
    socket.once("connect", resolve);
    socket.once("error", reject);
  });
}

// Several objects on one socket are what a program makes that has one for each of its tags.
const makers = {
  async jsmodbus(port, unit, objects) {
    const { client } = require("jsmodbus");
    const socket = new net.Socket();
    const made = Array.from({ length: objects }, () => new client.TCP(socket, unit));
    const ready = connected(socket);
    socket.connect({ host: HOST, port });
    await ready;
    return made.map((one) => ({
      coils: (at, count) => one.readCoils(at, count).then(bitsOf),
      discreteInputs: (at, count) => one.readDiscreteInputs(at, count).then(bitsOf),
      inputRegisters: (at, count) => one.readInputRegisters(at, count).then(wordsOf),
      holdingRegisters: (at, count) => one.readHoldingRegisters(at, count).then(wordsOf),
      writeCoil: (at, value) => one.writeSingleCoil(at, value),
      writeRegister: (at, value) => one.writeSingleRegister(at, value),
      writeRegisters: (at, values) => one.writeMultipleRegisters(at, values),
      close: () => ended(socket),
    }));
  },

  async "modbus-serial"(port, unit, objects) {
    const Client = require("modbus-serial");
    const socket = new net.Socket();
    const ready = connected(socket);
    socket.connect({ host: HOST, port });
    await ready;
    const made = [];
    for (let index = 0; index < objects; index += 1) {
      const one = new Client();
      await one.connectTCP(HOST, { socket });
      one.setID(unit);
      one.setTimeout(3000);
      made.push(one);
    }
    const data = (reply) => reply.data;
    return made.map((one) => ({
      coils: (at, count) => one.readCoils(at, count).then(data),
      discreteInputs: (at, count) => one.readDiscreteInputs(at, count).then(data),
      inputRegisters: (at, count) => one.readInputRegisters(at, count).then(data),
      holdingRegisters: (at, count) => one.readHoldingRegisters(at, count).then(data),
      writeCoil: (at, value) => one.writeCoil(at, value),
      writeRegister: (at, value) => one.writeRegister(at, value),
      writeRegisters: (at, values) => one.writeRegisters(at, values),
      serverId: () => one.reportServerID(),
      close: () => ended(socket),
    }));
  },
};

function bitsOf(reply) {
  return reply.response.body.valuesAsArray.map(Boolean);
}

function wordsOf(reply) {
  return reply.response.body.valuesAsArray.map(Number);
}

function ended(socket) {
  return new Promise((resolve) => {
    socket.once("close", () => resolve());
    socket.end();
  });
}

const make = makers[process.argv[2]];
const clients = new Map();

async function perform(order) {
  if (order.do === "open") {
    const made = await make(order.port, order.unit, order.objects);
    return made.map((one) => {
      clients.set(clients.size, one);
      return clients.size - 1;
    });
  }
  const client = clients.get(order.client);
  if (order.do === "at once") {
    const each = Array.from({ length: order.times }, () => client[order.what](...order.with));
    await Promise.all(each);
    return null;
  }
  return client[order.do](...order.with);
}

// Some answers a library passes over in silence, such as an exception to what it seldom asks.
function inTime(promise, patienceMs) {
  const late = new Promise((_, reject) => {
    setTimeout(() => reject(new Error("the library gave no answer")), patienceMs).unref();
  });
  return Promise.race([promise, late]);
}

// What a library answers beside the data stays here: some of it refers to itself.
function plain(value) {
  return Array.isArray(value) ? value : null;
}

readline.createInterface({ input: process.stdin }).on("line", async (line) => {
  const order = JSON.parse(line);
  let answer;
  try {
    answer = { id: order.id, result: plain(await inTime(perform(order), order.patience_ms)) };
  } catch (error) {
    answer = { id: order.id, error: String((error && error.message) || error) };
  }
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}).on("close", () => process.exit(0));
