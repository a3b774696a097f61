"""The view's ear: an MQTT client that puts what it hears on a queue and does nothing else."""

import queue

import paho.mqtt.client as mqtt

from deploy.view.topics import filters

_QUEUE_LIMIT = 50_000


class Listener:
    """Hears everything that the view shows below `root`. `drain` from the main loop; `up` is the link."""

    def __init__(self, root: str, host: str, port: int) -> None:
        self.up = False
        self.dropped = 0
        self._filters = filters(root)
        self._heard: queue.Queue[tuple[str, bytes]] = queue.Queue(_QUEUE_LIMIT)
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.suppress_exceptions = True
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(min_delay=1, max_delay=2)
        self._client.connect_async(host, port, keepalive=10)
        self._client.loop_start()

    def drain(self) -> list[tuple[str, bytes]]:
        """Everything heard since the last call, in order."""
        heard = []
        while True:
            try:
                heard.append(self._heard.get_nowait())
            except queue.Empty:
                return heard

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: mqtt.Client, _data: object, _flags: object, reason: mqtt.ReasonCode, _props: object) -> None:
        if not reason.is_failure:
            client.subscribe([(one, 1) for one in self._filters])

    def _on_subscribe(
        self, _client: mqtt.Client, _data: object, _mid: int, reasons: list[mqtt.ReasonCode], _props: object
    ) -> None:
        self.up = not any(reason.is_failure for reason in reasons)

    def _on_disconnect(self, *_: object) -> None:
        self.up = False

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            self._heard.put_nowait((message.topic, bytes(message.payload)))
        except queue.Full:
            self.dropped += 1
