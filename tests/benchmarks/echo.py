"""The bare paho echo to compare with, as a process: subscribe at QoS 1, publish every payload again at QoS 1.

TCP_NODELAY is set, as it is in the supervisor: without it this is two to three times slower.
`python -m tests.benchmarks.echo HOST PORT TOPIC ANSWER_TOPIC`
"""

import socket
import sys

import paho.mqtt.client as mqtt


def main(host: str, port: str, topic: str, answer_topic: str) -> None:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="bare-echo")
    client.max_inflight_messages_set(0)  # as in the supervisor
    client.on_socket_open = lambda _c, _d, sock: sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.on_connect = lambda *_: client.subscribe(topic, 1)
    client.on_message = lambda _c, _d, message: client.publish(answer_topic, message.payload, 1)
    client.connect(host, int(port))
    client.loop_forever()


if __name__ == "__main__":
    main(*sys.argv[1:])
