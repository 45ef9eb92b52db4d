"""Makes calls with Python's gRPC library: the first line of standard input is {"server", "token", "protos"}, each further one a call.

A call: {"call": "DueService/ListDue", "ask": {...}}, its message in the JSON mapping. Its answer is a line of JSON: {"code": number, "answer": {...}}
or {"code": number, "message": text, "details": [...]}, the details those of google.rpc.Status, in the JSON mapping too. A stream is asked by "asks", a
list, and left after "first" answers where that is a number; its answers stand in "answers", whatever its code.
"""

import json
import pathlib
import sys
import tempfile

import grpc
from google.protobuf import descriptor_pb2, descriptor_pool, json_format, message_factory
from google.rpc import error_details_pb2, status_pb2  # noqa: F401  (their types are known by being imported)
from grpc_status import rpc_status
from grpc_tools import protoc

SECONDS = 60


def described(protos):
    """All messages and services, as the library's own compiler reads the protos."""
    files = sorted(str(file.relative_to(protos)) for file in pathlib.Path(protos).glob("fettler/v1/*.proto"))
    with tempfile.NamedTemporaryFile() as out:
        well_known = pathlib.Path(protoc.__file__).parent / "_proto"
        words = ["", f"-I{protos}", f"-I{well_known}", "--include_imports", f"--descriptor_set_out={out.name}", *files]
        if protoc.main(words) != 0:
            sys.exit("the protos do not compile")
        whole = descriptor_pb2.FileDescriptorSet.FromString(pathlib.Path(out.name).read_bytes())
    pool = descriptor_pool.Default()
    for file in whole.file:
        # What is imported above is known already, with the same content.
        pool.AddSerializedFile(file.SerializeToString())
    return pool


def refusal(error):
    status = rpc_status.from_call(error)
    details = [json_format.MessageToDict(detail) for detail in status.details] if status else []
    return {"code": error.code().value[0], "message": error.details(), "details": details}


def streamed(call, asks, first, told):
    """What a stream tells, to its end or until it is left; `call` is told the messages."""
    answers = []
    try:
        stream = call(asks)
        for got in stream:
            answers.append(told(got))
            if len(answers) == first:
                stream.cancel()
                break
        return {"code": 0, "answers": answers}
    except grpc.RpcError as error:
        return {**refusal(error), "answers": answers}


def answer(channel, pool, metadata, ask):
    service, method = ask["call"].split("/")
    found = pool.FindServiceByName(f"fettler.v1.{service}").FindMethodByName(method)
    asked = message_factory.GetMessageClass(found.input_type)
    kind = message_factory.GetMessageClass(found.output_type)
    ways = {
        (False, False): channel.unary_unary,
        (False, True): channel.unary_stream,
        (True, True): channel.stream_stream,
    }
    way = ways[found.client_streaming, found.server_streaming]
    call = way(
        f"/fettler.v1.{service}/{method}",
        request_serializer=lambda message: message.SerializeToString(),
        response_deserializer=kind.FromString,
    )

    def told(got):
        return json_format.MessageToDict(got, descriptor_pool=pool)

    def made(message):
        return call(message, timeout=SECONDS, metadata=metadata)

    if "asks" in ask:
        asks = [json_format.ParseDict(one, asked()) for one in ask["asks"]]
        return streamed(made, iter(asks) if found.client_streaming else asks[0], ask["first"], told)
    try:
        return {"code": 0, "answer": told(made(json_format.ParseDict(ask["ask"], asked())))}
    except grpc.RpcError as error:
        return refusal(error)


def main():
    begin = json.loads(sys.stdin.readline())
    pool = described(begin["protos"])
    metadata = (("authorization", f"Bearer {begin['token']}"),)
    with grpc.insecure_channel(begin["server"]) as channel:
        for line in sys.stdin:
            print(json.dumps(answer(channel, pool, metadata, json.loads(line))), flush=True)


if __name__ == "__main__":
    main()
