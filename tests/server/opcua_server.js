// An OPC UA server on the npm package node-opcua.
// node opcua_server.js PORT PKI_FOLDER MAX_NODES_PER_READ [NAMESPACE ...]
// prints "listening PORT"; ends when its stdin closes. NAMESPACEs are registered first, so that
// the index of urn:tests:plant moves. Source times are fixed: 2024-05-01T06:00:00Z + n seconds.
'use strict';
// node 18 has it, but not as a global.
globalThis.crypto ??= require('node:crypto').webcrypto;
const opcua = require('node-opcua');

const [, , port, pki, perRead, ...before] = process.argv;
const { DataType, StatusCodes, VariantArrayType } = opcua;
const at = (seconds) => new Date(Date.UTC(2024, 4, 1, 6, 0, seconds));

async function main() {
  const certificates = new opcua.OPCUACertificateManager({
    automaticallyAcceptUnknownCertificate: true, rootFolder: pki,
  });
  await certificates.initialize();
  const server = new opcua.OPCUAServer({
    port: Number(port),
    hostname: '127.0.0.1',
    alternateHostname: ['127.0.0.1'],
    serverCertificateManager: certificates,
    securityModes: [opcua.MessageSecurityMode.None],
    securityPolicies: [opcua.SecurityPolicy.None],
    serverCapabilities: { operationLimits: { maxNodesPerRead: Number(perRead) } },
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  before.forEach((uri) => space.registerNamespace(uri));
  const plant = space.registerNamespace('urn:tests:plant');
  const folder = plant.addObject({
    organizedBy: space.rootFolder.objects, browseName: 'Plant', nodeId: 's=Plant',
  });

  function add(name, kind, value, status, seconds) {
    const array = Array.isArray(value);
    const variable = plant.addVariable({
      componentOf: folder, browseName: name, nodeId: `s=${name}`, dataType: kind,
      ...(array ? { valueRank: 1, arrayDimensions: [value.length] } : {}),
    });
    variable.setValueFromSource({
      dataType: DataType[kind], value, ...(array ? { arrayType: VariantArrayType.Array } : {}),
    }, status, at(seconds));
  }

  for (let i = 0; i < 30; i++) add(`T${i}`, 'Double', i + 0.5, StatusCodes.Good, i);
  add('Float', 'Float', 3.25, StatusCodes.Good, 1);
  add('Int16', 'Int16', -2, StatusCodes.Good, 1);
  add('UInt32', 'UInt32', 4000000000, StatusCodes.Good, 1);
  add('On', 'Boolean', true, StatusCodes.Good, 1);
  add('Off', 'Boolean', false, StatusCodes.Good, 1);
  add('Text', 'String', '3.25', StatusCodes.Good, 1);
  add('List', 'Double', [1, 2, 3], StatusCodes.Good, 1);
  add('NaN', 'Double', NaN, StatusCodes.Good, 1);
  add('Infinity', 'Double', Infinity, StatusCodes.Good, 1);
  add('LastUsable', 'Double', 7, StatusCodes.UncertainLastUsableValue, 2);
  add('SensorOff', 'Double', 7, StatusCodes.UncertainSensorNotAccurate, 2);
  add('DeviceFailure', 'Double', 7, StatusCodes.BadDeviceFailure, 3);
  add('SensorFailure', 'Double', 7, StatusCodes.BadSensorFailure, 3);
  await server.start();
  console.log(`listening ${port}`);
  process.stdin.on('end', () => process.exit(0)).resume();
}

main().catch((error) => { console.error(error); process.exit(1); });
