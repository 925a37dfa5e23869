"""One sentence for a request that does not fit its model."""

from fastapi.exceptions import ValidationException


def say_request_error(error: ValidationException) -> tuple[int, str]:
    """The status (400 for what is not JSON, else 422) and the first fault with its key."""
    first = error.errors()[0]
    kind = str(first["type"])
    path = [str(part) for part in first["loc"]]
    if kind == "json_invalid":
        detail = first.get("ctx", {}).get("error", "broken off")
        return 400, f"the request is not valid JSON ({detail} at character {path[-1]}): send one JSON object"
    key = ".".join(path[1:]) or "the request"
    others = f" (and {len(error.errors()) - 1} more like it)" if len(error.errors()) > 1 else ""
    message = str(first["msg"]).removeprefix("Value error, ")
    if kind == "extra_forbidden":
        message = "no such key"
    elif kind == "missing":
        message = "this key is needed" if path[1:] else "a JSON object is needed"
    return 422, f"{key}: {message[:1].lower()}{message[1:]}{others}"
