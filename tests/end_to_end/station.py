"""A station that speaks MQTT 5 through paho-mqtt: an independent client.

    station.py PORT USER PASSWORD

Publishes at QoS 1 and prints what it is answered, one line each: the answer to its
connection, the reason code of each message, and whether its session is known when it
comes again.
"""

import sys

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

MESSAGES = [("orchard/t", "4.5"), ("orchard", '{"h":66}'), ("orchard/t", "warm"), ("orchard/frog", "1")]


def main():
    port, user, password = int(sys.argv[1]), sys.argv[2], sys.argv[3]
    client = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2, client_id="croft-station", protocol=mqtt.MQTTv5
    )
    client.username_pw_set(user, password)
    kept = Properties(PacketTypes.CONNECT)
    kept.SessionExpiryInterval = 3600
    dressed = Properties(PacketTypes.PUBLISH)
    dressed.ContentType = "text/plain"
    dressed.UserProperty = ("made by", "hand")
    waiting = {}

    def connected(client, _, flags, reason, properties):
        print("connected", reason.value, int(flags.session_present), flush=True)
        if reason.value >= 0x80:
            client.disconnect()
            return
        print("offer", properties.MaximumQoS, properties.ReceiveMaximum, flush=True)
        if waiting.get("again"):
            client.disconnect()
            return
        for topic, payload in MESSAGES:
            sent = client.publish(topic, payload, qos=1, properties=dressed)
            waiting[sent.mid] = topic, payload

    def published(client, _, mid, reason, __):
        topic, payload = waiting.pop(mid)
        print("published", topic, payload, reason.value, flush=True)
        if not waiting:
            client.disconnect()

    client.on_connect = connected
    client.on_publish = published
    client.connect("127.0.0.1", port, clean_start=False, properties=kept)
    client.loop_forever(retry_first_connection=False)
    waiting["again"] = True
    client.connect("127.0.0.1", port, clean_start=False, properties=kept)
    client.loop_forever(retry_first_connection=False)


if __name__ == "__main__":
    main()
