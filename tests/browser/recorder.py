# A recorder that is none: it answers on a control socket as lulld does, from a state the test sets, and keeps the marks it was given.
import json, os, socket, threading


class Recorder:
    def __init__(self, path, recording):
        self.path, self.marks, self.now, self.lock = path, [], 0.0, threading.Lock()
        self.bus = {"name": "can0", "interface": "can0", "adapter": "", "state": "awake", "why": [], "since_s": 10.0, "proven": True, "frames": 1234, "errors": 0,
                    "lost": {"socket": 0, "ring": 0, "controller": 0}, "last_s": 99.0, "last_id": "0x3A1", "talking": ["0x3A1", "0x100"], "buffer_bytes": 1, "sent_here": 0}
        self.mA, self.lost, self.recording, self.server = 812.0, None, recording, None

    def state(self):
        self.now += 1
        return {"ok": True, "format": "lull.state", "version": 1, "recording": self.recording, "time_s": 100 + self.now, "utc": None, "buses": [self.bus],
                "current": {"mA": None if self.lost else self.mA, "at_s": 99.9 + self.now, "lost": self.lost},
                "disk": {"written_bytes": 1, "written_s_ago": 1.0, "trouble": None}, "receiver": {"wakeups": 1, "frames": 1}}

    def start(self):
        if os.path.exists(self.path):
            os.unlink(self.path)
        self.server = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.server.bind(self.path)
        self.server.listen(8)
        threading.Thread(target=self.serve, args=(self.server,), daemon=True).start()

    def stop(self):
        self.server.shutdown(socket.SHUT_RDWR)
        self.server.close()
        os.unlink(self.path)

    def serve(self, server):
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            asked = client.recv(512).decode()
            with self.lock:
                if asked.startswith("mark "):
                    self.marks.append(asked[5:])
                    answer = {"ok": True}
                else:
                    answer = self.state()
            client.send(json.dumps(answer).encode())
            client.close()
