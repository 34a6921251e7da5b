"""An object store that listens on this machine, for tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import boto3
import pytest
import s3fs
from moto.server import ThreadedMotoServer


@contextmanager
def object_store() -> Iterator[str]:
    """Start one with an empty bucket; its address and keys are in the environment, also of processes started later."""
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)  # 0: one that is free
    server.start()
    port = server.get_host_and_port()[1]
    patch = pytest.MonkeyPatch()
    s3fs.S3FileSystem.clear_instance_cache()  # one made for an earlier server would go on asking there
    patch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{port}")
    for name, value in (("ACCESS_KEY_ID", "test"), ("SECRET_ACCESS_KEY", "test"), ("DEFAULT_REGION", "us-east-1")):
        patch.setenv(f"AWS_{name}", value)
    try:
        boto3.client("s3").create_bucket(Bucket="county")
        yield "s3://county"
    finally:
        patch.undo()
        s3fs.S3FileSystem.clear_instance_cache()
        server.stop()
