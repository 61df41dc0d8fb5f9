// A Modbus TCP server on the npm package modbus-serial.
// node modbus_serial.js PORT   prints "listening PORT"; ends when its stdin closes.
// Holding registers 0 to 199: 3.25 as float32 in ABCD, CDAB, BADC, DCBA, then each its address.
// Beyond that, the package answers exception 4. Input registers are 1000 + address.
'use strict';
const { ServerTCP } = require('modbus-serial');

const port = Number(process.argv[2]);
const holding = Array.from({ length: 200 }, (_, i) => i);
holding.splice(0, 8, 0x4050, 0, 0, 0x4050, 0x5040, 0, 0, 0x5040);

function stretch(from, length) {
  if (from + length > holding.length) throw new Error('no such register');
  return holding.slice(from, from + length);
}

const server = new ServerTCP({
  getHoldingRegister: (address) => stretch(address, 1)[0],
  getMultipleHoldingRegisters: (address, length) => stretch(address, length),
  getInputRegister: (address) => 1000 + address,
  getCoil: (address) => address % 3 === 0,
  getDiscreteInput: (address) => address % 5 === 0,
}, { host: '127.0.0.1', port, unitID: 1 });
server.on('initialized', () => console.log(`listening ${port}`));
server.on('socketError', () => {});
process.stdin.on('end', () => process.exit(0)).resume();
