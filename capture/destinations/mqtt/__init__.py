"""Records as messages at an MQTT broker: QoS 1, MQTT 5, and the broker's own word for every one of them.

    topics     where a record goes            message   a parcel as topic, payload and properties
    status     the retained word of the bench secrets   user, password and TLS from files
    client     one aiomqtt client that tells  reasons   what a code means for a record, and the cure
    link       one connection's life, for the carrier

Rules of the room:
- The journal is the only queue: a new client for each connection, and nothing is kept in one that has failed.
- What the broker said decides, not that it said something: a PUBACK may be a refusal.
- Everything aiomqtt and paho are leaned on for beyond their documentation has a test of its own (test_contract.py).
"""
