before=0000000000000000000000000000000000000000000000000000000000000000
while IFS= read -r line; do
  body="${line%,\"chain\":*}}"
  chain="${line##*,\"chain\":\"}"; chain="${chain%\"\}}"
  made=$(printf '%s\n%s' "$before" "$body" | sha256sum | cut -c1-64)
  [ "$made" = "$chain" ] || { printf 'does not hold: %s\n' "$line"; exit 1; }
  before="$chain"
done < manifest.jsonl
