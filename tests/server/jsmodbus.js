// A Modbus TCP server on the npm package jsmodbus.
// node jsmodbus.js PORT   prints "listening PORT"; ends when its stdin closes.
// Holding registers 0 to 199: 3.25 as float32 in ABCD, CDAB, BADC, DCBA, then each its address.
// Beyond that, the package sends a well-formed answer without any register in it.
'use strict';
const net = require('net');
const modbus = require('jsmodbus');

const port = Number(process.argv[2]);
const holding = Buffer.alloc(400);
for (let i = 0; i < 200; i++) holding.writeUInt16BE(i, 2 * i);
[0x4050, 0, 0, 0x4050, 0x5040, 0, 0, 0x5040].forEach((word, i) => holding.writeUInt16BE(word, 2 * i));

const listener = new net.Server();
// The package leaves a socket's error unhandled: a client that resets its connection would end the process.
listener.on('connection', (socket) => socket.on('error', () => {}));
new modbus.server.TCP(listener, { holding });
listener.listen(port, '127.0.0.1', () => console.log(`listening ${port}`));
process.stdin.on('end', () => process.exit(0)).resume();
