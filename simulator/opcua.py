"""The plant on OPC UA: one variable for each instrument, stamped with plant time."""

import math
from datetime import UTC
from typing import Any

from asyncua import ua
from asyncua.crypto.permission_rules import SimpleRoleRuleset, User, UserRole
from asyncua.crypto.truststore import TrustStore
from asyncua.crypto.validator import CertificateValidator, CertificateValidatorOptions
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.status_codes import StatusCodes

from simulator.instruments import PER_SI
from simulator.links import Sample
from simulator.modbus import not_opened
from simulator.plantfile import NAMESPACE
from simulator.site import Site
from simulator.tls import SERVER_URI, USER, Certificates

STATUS = {
    "good": ua.StatusCode(ua.UInt32(StatusCodes.Good)),
    "uncertain": ua.StatusCode(ua.UInt32(StatusCodes.UncertainSensorNotAccurate)),
    "bad": ua.StatusCode(ua.UInt32(StatusCodes.BadSensorFailure)),
}


def _node_id(name: str, namespace: int) -> ua.NodeId:
    return ua.NodeId(ua.String(name), ua.Int16(namespace))


class _OneUser(UserManager):
    """Lets in `USER` with its password and nobody else."""

    def __init__(self, password: str):
        self._password = password

    def get_user(
        self,
        iserver: Any,
        username: str | None = None,
        password: str | bytes | None = None,
        certificate: Any = None,
    ) -> User | None:
        """The user, or None for one who is not let in; the signature is the library's."""
        given = password.decode(errors="replace") if isinstance(password, bytes) else password
        if username == USER and given == self._password:
            return User(role=UserRole.User, name=USER)
        return None


class _Connections(list[Any]):
    """The open connections of a server. While it is silent none is read, so that no request gets an answer."""

    silent = False

    def append(self, transport: Any) -> None:
        """Take a new connection."""
        super().append(transport)
        if self.silent:
            transport.pause_reading()


class OpcuaLink:
    """An OPC UA server of a site on one port (not 0).

    certificates : None for a server without security; else only signed and encrypted
    connections of trusted clients, with a user name.
    """

    def __init__(self, site: Site, host: str, port: int, certificates: Certificates | None = None):
        self._site = site
        self._host = host
        self._port = port
        self._certificates = certificates
        self._instruments = site.instruments
        self._server: Server | None = None
        self._nodes: dict[str, ua.NodeId] = {}
        self._connections = _Connections()

    async def open(self, name: str = "opcua") -> None:
        """Start to serve. name : what errors call the port."""
        files = self._certificates
        server = Server(user_manager=_OneUser(files.password()) if files else None)
        await server.init()
        server.iserver.asyncio_transports = self._connections
        # A silent server keeps even connections that never got to ask for a session.
        server.iserver.max_pending_activation_seconds = 0.0
        server.set_endpoint(f"opc.tcp://{self._host}:{self._port}/")
        server.set_server_name("Invented RO plant")
        if files is None:
            server.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        else:
            await self._secure(server, files)
        index = await server.register_namespace(NAMESPACE)
        folders = {
            train.id: await server.nodes.objects.add_object(
                _node_id(train.id, index), f"{index}:{train.id}"
            )
            for train in self._site.trains
        }
        for tag, instrument in self._site.instruments.items():
            folder = folders[tag.partition("/")[0]]
            kind = ua.VariantType.Boolean if instrument.status else ua.VariantType.Double
            first = False if instrument.status else 0.0
            variable = await folder.add_variable(
                _node_id(tag, index), f"{index}:{tag}", first, kind
            )
            self._nodes[tag] = variable.nodeid
        try:
            await server.start()
        except OSError as exc:
            raise not_opened(name, self._port, exc.errno) from exc
        self._server = server

    @staticmethod
    async def _secure(server: Server, files: Certificates) -> None:
        await server.set_application_uri(SERVER_URI)
        certificate, key = files.opcua("server")
        await server.load_certificate(certificate)
        await server.load_private_key(key)
        server.set_security_policy(
            [ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt],
            permission_ruleset=SimpleRoleRuleset(),  # type: ignore[no-untyped-call]
        )
        server.set_identity_tokens([ua.UserNameIdentityToken])
        trusted = TrustStore([files.trusted], [])
        await trusted.load()
        wanted = CertificateValidatorOptions
        validator = CertificateValidator(
            wanted.TRUSTED | wanted.TIME_RANGE | wanted.URI | wanted.PEER_CLIENT, trusted
        )
        server.set_certificate_validator(validator.validate)

    async def close(self) -> None:
        """Stop to serve; safe to call twice."""
        server, self._server = self._server, None
        if server is not None:
            await server.stop()

    def hush(self, silent: bool) -> None:
        """Take connections but answer nothing from now on, or answer again, what was asked meanwhile too."""
        self._connections.silent = silent
        for connection in self._connections:
            if silent:
                connection.pause_reading()
            else:
                connection.resume_reading()

    async def write(self, sample: Sample) -> None:
        """Show a sample."""
        if self._server is None:
            return
        stamp = ua.DateTime.fromtimestamp(sample.stamp_s, UTC)
        for tag, value in sample.readings.items():
            instrument = self._instruments[tag]
            edge = sample.raw.get(tag, value * PER_SI[instrument.unit])
            if instrument.status:
                variant = ua.Variant(value == 1.0, ua.VariantType.Boolean)
            else:
                variant = ua.Variant(edge, ua.VariantType.Double)
            usual = "bad" if math.isnan(edge) else "good"
            await self._server.write_attribute_value(
                self._nodes[tag],
                ua.DataValue(
                    variant,
                    StatusCode=STATUS[sample.status.get(tag, usual)],
                    SourceTimestamp=stamp,
                ),
            )
