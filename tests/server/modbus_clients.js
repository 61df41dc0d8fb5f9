// Modbus clients on the npm packages modbus-serial and jsmodbus.
// node modbus_clients.js PLAN   PLAN: JSON {ports: {tcp, rtu, tls}, files: {ca, cert, key, stranger: {cert, key}},
//                                      reads: [[table, first, count], ...]}
// prints one JSON object: for each client and port the answers in order, arrays or {error: code}.
'use strict';
const fs = require('node:fs');
const net = require('node:net');
const tls = require('node:tls');
const { once } = require('node:events');
const ModbusRTU = require('modbus-serial');
const jsmodbus = require('jsmodbus');

const plan = JSON.parse(process.argv[2]);
const HOST = '127.0.0.1';
const TIMEOUT_MS = 10000;

async function secured(cert, key) {
  const socket = tls.connect({
    host: HOST, port: plan.ports.tls,
    ca: fs.readFileSync(plan.files.ca), cert: fs.readFileSync(cert), key: fs.readFileSync(key),
  });
  await once(socket, 'secureConnect');
  return socket;
}

async function each(read) {
  const answers = [];
  for (const [table, first, count] of plan.reads) {
    try {
      answers.push(Array.from(await read(table, first, count), Number));
    } catch (error) {
      const code = error.modbusCode ?? error.response?.body?.code;
      answers.push({ error: code ?? String(error.message ?? error.err) });
    }
  }
  return answers;
}

async function serial(connect) {
  const client = new ModbusRTU();
  await connect(client);
  client.setID(1);
  client.setTimeout(TIMEOUT_MS);
  const by = {
    holding: 'readHoldingRegisters', input: 'readInputRegisters',
    coil: 'readCoils', discrete: 'readDiscreteInputs',
  };
  const answers = await each(async (table, first, count) => {
    if (table === 'write') {
      await client.writeRegister(first, count);
      return [];
    }
    return (await client[by[table]](first, count)).data.slice(0, count);
  });
  await new Promise((done) => { client.close(done); });
  return answers;
}

async function js(socket) {
  const client = new jsmodbus.client.TCP(socket, 1, TIMEOUT_MS);
  // The package learns that it is connected from an event that a secure socket has sent already.
  if (socket.encrypted) socket.emit('connect'); else await once(socket, 'connect');
  const by = {
    holding: 'readHoldingRegisters', input: 'readInputRegisters',
    coil: 'readCoils', discrete: 'readDiscreteInputs',
  };
  const answers = await each(async (table, first, count) => {
    if (table === 'write') {
      await client.writeSingleRegister(first, count);
      return [];
    }
    return (await client[by[table]](first, count)).response.body.valuesAsArray.slice(0, count);
  });
  socket.destroy();
  return answers;
}

// A server that refuses a certificate says so after the client's part of a TLS 1.3 handshake.
async function stranger() {
  const { cert, key } = plan.files.stranger;
  let socket;
  try {
    socket = await secured(cert, key);
    socket.write(Buffer.from('000100000006010300640002', 'hex'));
    const what = await Promise.race([
      once(socket, 'data').then(() => 'answered'),
      once(socket, 'close').then(() => 'closed'),
    ]);
    return what;
  } catch (error) {
    return `refused ${error.code ?? error.message}`;
  } finally {
    socket?.destroy();
  }
}

async function main() {
  const { tcp, rtu } = plan.ports;
  const { cert, key } = plan.files;
  const told = {
    serial_tcp: await serial((client) => client.connectTCP(HOST, { port: tcp })),
    serial_rtu: await serial((client) => client.connectTelnet(HOST, { port: rtu })),
    js_tcp: await js(net.connect({ host: HOST, port: tcp })),
    js_tls: await js(await secured(cert, key)),
    stranger: await stranger(),
  };
  const socket = await secured(cert, key);
  told.serial_tls = await serial((client) => client.connectTCP(HOST, { port: plan.ports.tls, socket }));
  console.log(JSON.stringify(told));
  process.exit(0);
}

setTimeout(() => { console.error('no end within 60 s'); process.exit(3); }, 60000).unref();
main().catch((error) => { console.error(error); process.exit(1); });
