"""What a broker's code means for a record or a connection, and what to do about it.

Codes and names: MQTT 5.0 §2.4. Which of them pass by themselves is ours: a record is refused only for what sending it
again cannot change.
"""

from __future__ import annotations

import errno
import socket
import ssl
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from capture.config import MqttDestination

UNHEARD = 0x10
TAKEN_OVER = 0x8E
NOT_AUTHORISED = 0x87
TOO_LARGE = 0x95

Fate = Literal["sent", "later", "refused"]

_OF_A_RECORD: dict[int, tuple[str, Fate, str]] = {
    0x00: ("success", "sent", ""),
    UNHEARD: ("no matching subscribers", "sent", ""),
    0x80: ("unspecified error", "later", "see the broker's log"),
    0x83: ("implementation specific error", "later", "see the broker's log"),
    NOT_AUTHORISED: ("not authorized", "refused", "let this user publish to {topic} at the broker"),
    0x90: ("topic name invalid", "refused", "let the broker take {topic}, or write another prefix"),
    0x91: ("packet identifier in use", "later", "see the broker's log"),
    TOO_LARGE: ("packet too large", "refused", "raise the broker's limit of message size"),
    0x97: ("quota exceeded", "later", "raise the broker's quota for this client, or write a smaller window"),
    0x99: ("payload format invalid", "refused", "let the broker take UTF-8 JSON on {topic}"),
}

_TAKEN_OVER = (
    "another service connects as {client}: was one started twice, or do two benches have one site and name? "
    "Stop one, or give each its own client_id"
)
_OF_A_CONNECTION: dict[int, tuple[str, str]] = {
    0x80: ("unspecified error", "see the broker's log"),
    0x81: ("malformed packet", "see the broker's log"),
    0x82: ("protocol error", "see the broker's log"),
    0x83: ("implementation specific error", "see the broker's log"),
    0x84: ("unsupported protocol version", 'write version = "3.1.1", or better let the broker speak MQTT 5'),
    0x85: (
        "client identifier not valid",
        "write a client_id that the broker takes (it sent {client}); try a shorter one",
    ),
    0x86: ("bad user name or password", "put {login} right"),
    NOT_AUTHORISED: ("not authorized", "let {user} connect at the broker, or put {login} right"),
    0x88: ("server unavailable", "it is tried again"),
    0x89: ("server busy", "it is tried again"),
    0x8A: ("banned", "lift the ban at the broker, or write another client_id than {client}"),
    0x8B: ("server shutting down", "it is tried again"),
    0x8C: ("bad authentication method", "let the broker take user and password, or a client certificate"),
    0x8D: ("keep alive timeout", "this machine or the network stalled; it is tried again"),
    TAKEN_OVER: ("session taken over", _TAKEN_OVER),
    0x90: ("topic name invalid", "let the broker take the prefix, or write another"),
    0x93: ("receive maximum exceeded", "write a smaller window"),
    TOO_LARGE: ("packet too large", "raise the broker's limit of packet size"),
    0x96: ("message rate too high", "write a smaller window, or raise the broker's limit"),
    0x97: ("quota exceeded", "raise the broker's quota for this client"),
    0x98: ("administrative action", "somebody closed the connection at the broker; it is tried again"),
    0x99: ("payload format invalid", "let the broker take UTF-8 JSON"),
    0x9A: ("retain not supported", "let the broker keep retained messages: the bench's status is one"),
    0x9B: ("QoS not supported", "let the broker take QoS 1: with less nobody can tell what arrived"),
    0x9C: ("use another server", "write the host that the broker's owner names"),
    0x9D: ("server moved", "write the host that the broker's owner names"),
    0x9F: ("connection rate exceeded", "it is tried again, later"),
    0xA0: ("maximum connect time", "it is tried again"),
}

# ssl's own numbers for a certificate that is not accepted (OpenSSL, x509_vfy.h).
_OF_A_CERTIFICATE = {
    9: "the broker's certificate is not valid yet: is this machine's clock right?",
    10: "the broker's certificate has expired: have it renewed (or is this machine's clock wrong?)",
    18: "the broker's certificate is self-signed: name it in tls.ca",
    19: "the broker's certificate is of an authority not known here: name that authority's file in tls.ca",
    20: "the broker's certificate is of an authority not known here: name that authority's file in tls.ca",
    21: "the broker's certificate is of an authority not known here: name that authority's file in tls.ca",
    62: "the broker's certificate has another name than {name}: write the name it has as tls.server_name",
    64: "the broker's certificate does not have the address {name}: write the name it has as tls.server_name",
}

_OF_THE_NETWORK = {
    errno.ECONNREFUSED: "nothing listens there: start the broker, or put host and port right",
    errno.EHOSTUNREACH: "no way there: see cable, address and firewall",
    errno.ENETUNREACH: "no way there: see cable, address and firewall",
    errno.ETIMEDOUT: "no answer: see address and firewall",
    errno.ECONNRESET: "it closed at once: is the port right, and is TLS wanted on it?",
}


def of_a_record(code: int, said: str | None, topic: str) -> tuple[Fate, str]:
    """What becomes of a record with that PUBACK code, and the words: the code's name, the broker's own, the cure."""
    name, fate, cure = _OF_A_RECORD.get(
        code, (f"code 0x{code:02X}, not one of MQTT 5's", "later", "see the broker's log")
    )
    return fate, _joined(f"{topic}: the broker says {name}", said, cure.format(topic=topic))


def of_a_connection(code: int, said: str | None, wanted: MqttDestination, client_id: str) -> str:
    """The words for a refused (CONNACK) or ended (DISCONNECT) connection."""
    name, cure = _OF_A_CONNECTION.get(code, (f"code 0x{code:02X}", "see the broker's log"))
    user = f"user {wanted.user}" if wanted.user else "this client"
    login = "user and password" if wanted.password_file or wanted.credential else "it by user and password_file"
    cure = cure.format(client=client_id, user=user, login=login if wanted.user else f"{login} (no user is configured)")
    return _joined(f"the broker says {name}", said, cure)


def of_a_fight(times: int, client_id: str) -> str:
    """The words for connections that are taken and closed again without a reason, time after time."""
    return (
        f"the broker closed {times} connections in a row soon and without a reason; if it does not restart by itself, "
        f"{_TAKEN_OVER.format(client=client_id)}"
    )


def of_an_error(error: BaseException, wanted: MqttDestination) -> str:
    """The words for an error of the network, or of TLS."""
    if isinstance(error, ssl.SSLError):
        return _of_a_handshake(error, wanted)
    if isinstance(error, socket.gaierror):
        return (
            f"{wanted.host} is no name that is known here ({error.strerror}): put host right, or see the name service"
        )
    if isinstance(error, TimeoutError):
        return "no answer: see address, port and firewall"
    if isinstance(error, OSError):
        return f"{error.strerror or error}; {_OF_THE_NETWORK.get(error.errno or 0, 'it is tried again')}"
    return f"{type(error).__name__}: {error}; it is tried again"


def _of_a_handshake(error: ssl.SSLError, wanted: MqttDestination) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        name = (wanted.tls and wanted.tls.server_name) or wanted.host
        known = _OF_A_CERTIFICATE.get(error.verify_code)
        return known.format(name=name) if known else f"the broker's certificate is not accepted: {error.verify_message}"
    if isinstance(error, ssl.SSLEOFError):
        return "it closed before TLS had begun: does the broker speak TLS on that port?"
    return of_tls(str(error)) or f"TLS failed ({error}); see the broker's log"


# What OpenSSL says by itself, ours (verification) apart; parts of its texts, the first that fits counts.
_OF_TLS = {
    "CERTIFICATE_REQUIRED": "the broker wants a client certificate: write tls.certificate and tls.key",
    "HANDSHAKE_FAILURE": "the broker wants a client certificate, or other ciphers: write tls.certificate and tls.key",
    "UNKNOWN_CA": "the broker does not know the authority of our certificate (tls.certificate): have it made by one it knows",
    "CERTIFICATE_EXPIRED": "our certificate (tls.certificate) has expired: have it renewed",
    "CERTIFICATE_REVOKED": "our certificate (tls.certificate) was revoked: have a new one made",
    "BAD_CERTIFICATE": "the broker does not accept our certificate (tls.certificate): have a new one made",
    "CERTIFICATE_UNKNOWN": "the broker does not accept our certificate (tls.certificate): have a new one made",
    "WRONG_VERSION_NUMBER": "the broker does not speak TLS on that port: write the port where it does, or leave tls out",
    "RECORD_LAYER_FAILURE": "the broker does not speak TLS on that port: write the port where it does, or leave tls out",
    "PROTOCOL_VERSION": "the broker does not speak TLS 1.2 or newer: have it updated",
    "UNSUPPORTED_PROTOCOL": "the broker does not speak TLS 1.2 or newer: have it updated",
}


def of_tls(heard: str) -> str | None:
    """The words for what TLS said by itself, if it did."""
    said = heard.upper().replace(" ", "_")
    return next((words for part, words in _OF_TLS.items() if part in said), None)


def of_a_closed_door(wanted: MqttDestination, heard: str, *, greeted: bool) -> str:
    """The words for a connection that ended without a code. `heard`: what the socket's error said, if anything."""
    known = of_tls(heard)
    if known is not None:
        return known
    if greeted:
        more = "" if wanted.version == "5" else "; MQTT 3.1.1 gives no reason: another service with this client_id?"
        return f"the broker, or the network, ended the connection{more}; it is tried again"
    tls = "leave tls out if it wants none" if wanted.tls is not None else "write tls = { … } if it wants TLS"
    old = ', version = "3.1.1" if it cannot do better' if wanted.version == "5" else ""
    return f"ended the connection before a word: is this the broker's port? {tls}{old}"


def _joined(what: str, said: str | None, cure: str) -> str:
    quoted = f' ("{_tame(said)}")' if said else ""
    return f"{what}{quoted}{f'; {cure}' if cure else ''}"


def _tame(said: str) -> str:
    """A far side's words, on one line and not for ever."""
    plain = "".join(each if each.isprintable() else "?" for each in said)
    return plain if len(plain) <= 200 else f"{plain[:199]}…"
