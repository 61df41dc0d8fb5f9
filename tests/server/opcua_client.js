// OPC UA clients on the npm package node-opcua.
// node opcua_client.js PLAN   PLAN: JSON {plain, secure, folder, cert, key, strangerCert, strangerKey,
//                                         uri, user, password, namespace, nodes: [name, ...]}
// prints one JSON object: readings without and with security, and how others were refused.
'use strict';
globalThis.crypto ??= require('node:crypto').webcrypto;
const opcua = require('node-opcua');

const plan = JSON.parse(process.argv[2]);

async function certificates() {
  const manager = new opcua.OPCUACertificateManager({
    automaticallyAcceptUnknownCertificate: true, rootFolder: plan.folder,
  });
  await manager.initialize();
  return manager;
}

async function read(manager, url, { secure, cert, key, identity, write }) {
  const client = opcua.OPCUAClient.create({
    endpointMustExist: false,
    connectionStrategy: { maxRetry: 0, initialDelay: 100, maxDelay: 200 },
    clientCertificateManager: manager,
    ...(secure ? {
      securityMode: opcua.MessageSecurityMode.SignAndEncrypt,
      securityPolicy: opcua.SecurityPolicy.Basic256Sha256,
      applicationUri: plan.uri,
    } : {}),
    ...(cert ? { certificateFile: cert, privateKeyFile: key } : {}),
  });
  let session;
  try {
    await client.connect(url);
    session = await client.createSession(identity);
    const namespaces = await session.readNamespaceArray();
    const index = namespaces.indexOf(plan.namespace);
    const nodes = plan.nodes.map((name) => `ns=${index};s=${name}`);
    const values = await session.read(nodes.map((nodeId) => (
      { nodeId, attributeId: opcua.AttributeIds.Value })));
    const readings = values.map((value) => ({
      value: value.value.value, status: value.statusCode.name, at: value.sourceTimestamp,
    }));
    if (!write) return { readings };
    const written = await session.write({
      nodeId: nodes[0], attributeId: opcua.AttributeIds.Value,
      value: { value: { dataType: opcua.DataType.Double, value: 1 } },
    });
    return { readings, written: written.name };
  } catch (error) {
    return { refused: String(error.message) };
  } finally {
    if (session) await session.close();
    await client.disconnect();
  }
}

async function main() {
  const manager = await certificates();
  const user = (password) => (
    { type: opcua.UserTokenType.UserName, userName: plan.user, password });
  const own = { secure: true, cert: plan.cert, key: plan.key };
  const stranger = { secure: true, cert: plan.strangerCert, key: plan.strangerKey };
  const told = {
    plain: await read(manager, plan.plain, { write: true }),
    secure: await read(manager, plan.secure, { ...own, identity: user(plan.password), write: true }),
    wrong_password: await read(manager, plan.secure, { ...own, identity: user('wrong') }),
    anonymous: await read(manager, plan.secure, own),
    stranger: await read(manager, plan.secure, { ...stranger, identity: user(plan.password) }),
    unsecured: await read(manager, plan.secure, { identity: user(plan.password) }),
  };
  console.log(JSON.stringify(told));
  process.exit(0);
}

setTimeout(() => { console.error('no end within 60 s'); process.exit(3); }, 60000).unref();
main().catch((error) => { console.error(error); process.exit(1); });
