"""A board made of paho: publishes readings and says what became of them.

Arguments: port, user, password, QoS, count, topic. With QoS 3 it subscribes instead, and says what was granted.
"""

import json
import sys
import threading
import time

import paho.mqtt.client as mqtt

port, user, password, qos, count, topic = sys.argv[1:7]
qos, count = int(qos), int(count)
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=f"board-{topic}", protocol=mqtt.MQTTv311)
client.username_pw_set(user, password)
client.will_set(topic + "/gone", "gone", qos=1)
done = threading.Event()


def on_connect(client, userdata, flags, reason, properties):
    print("connect", reason.getName(), "session" if flags.session_present else "no session", flush=True)
    if reason.is_failure:
        done.set()
    elif qos == 3:
        client.subscribe([(topic, 1), ("#", 0)])
    else:
        for n in range(count):
            client.publish(topic, json.dumps({"t": 20 + n / 10, "ts": int(time.time() * 1000) - 1000 * n}), qos=qos)


def on_subscribe(client, userdata, mid, reasons, properties):
    print("granted", *[reason.value for reason in reasons], flush=True)
    done.set()


acknowledged = []


def on_publish(client, userdata, mid, reason, properties):
    acknowledged.append(mid)
    if len(acknowledged) == count:
        print("acknowledged", len(acknowledged), flush=True)
        done.set()


client.on_connect, client.on_subscribe, client.on_publish = on_connect, on_subscribe, on_publish
client.connect("127.0.0.1", int(port), keepalive=20)
client.loop_start()
finished = done.wait(20)
client.disconnect()
client.loop_stop()
sys.exit(0 if finished else 1)
