package book
var refusals = map[string]refusal{}
