"""The JSON API: parse, call one service, shape the reply."""
