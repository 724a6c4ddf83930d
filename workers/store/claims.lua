-- Taking, renewing, giving back and finishing claims; dispatch_common.lua stands ahead and explains KEYS and the
-- first ARGV. Times are the store's own. Every operation first lets lapse what is past its lease.
-- Returns a word, and for a claim its hash as a flat list behind it.

local function claim_key(id) return P .. 'claim:' .. id end

local function answer(word, id)
  local reply = redis.call('HGETALL', claim_key(id))
  table.insert(reply, 1, word)
  return reply
end

local function read(id)
  local f = redis.call('HMGET', claim_key(id), 'state', 'job_id', 'copy', 'machine_id', 'lease_ms', 'report', 'told',
    'nozzle_id', 'material_id', 'spool_id')
  return { id = id, state = f[1], job = f[2], copy = f[3], machine = f[4], lease_ms = tonumber(f[5] or 0),
    report = f[6], told = tonumber(f[7] or 0), nozzle = f[8], material = f[9], spool = f[10] }
end

local function data_of(claim, more)
  local data = { claim_id = claim.id, machine_id = claim.machine, copy = tonumber(claim.copy) }
  for key, value in pairs(more or {}) do data[key] = value end
  return data
end

-- The job's state from where its copies stand: printing while one is held, ended when none is left, else bound. A
-- job that is being routed again keeps its state until it ends. Returns the state.
local function settle(id)
  local c = copies_of(id)
  local f = redis.call('HMGET', P .. 'job:' .. id, 'state', 'list')
  local to = f[1]
  if c.held == 0 and c.waiting == 0 then
    to = c.scrapped == 0 and 'done' or 'scrapped'
  elseif f[2] then
    to = c.held > 0 and 'printing' or 'bound'
  end
  if f[2] then touch_list(f[2]) end
  set_state(id, to)
  if to == 'done' or to == 'scrapped' then
    leave_list(id)
    redis.call('HINCRBY', COUNTERS, 'jobs_' .. to, 1)
    tell('job.' .. to, id, cjson.encode({ accepted = c.accepted, scrapped = c.scrapped }))
  end
  return to
end

local function hold(claim)
  redis.call('HSET', P .. 'copies:' .. claim.job, claim.copy, 'printing ' .. claim.id)
  redis.call('ZREM', P .. 'returned:' .. claim.job, claim.copy)
  redis.call('HINCRBY', P .. 'job:' .. claim.job, 'held', 1)
  redis.call('HSET', HOLDERS, claim.machine, claim.id)
  redis.call('ZADD', LEASES, now_ms + claim.lease_ms, claim.id)
end

-- The claim holds its copy no more.
local function let_go(claim)
  redis.call('HDEL', P .. 'copies:' .. claim.job, claim.copy)
  redis.call('HINCRBY', P .. 'job:' .. claim.job, 'held', -1)
  redis.call('HDEL', HOLDERS, claim.machine)
  redis.call('ZREM', LEASES, claim.id)
end

local function put_back(claim)
  redis.call('ZADD', P .. 'returned:' .. claim.job, claim.copy, claim.copy)
end

local function is_free(claim)
  return redis.call('ZSCORE', P .. 'returned:' .. claim.job, claim.copy) ~= false
end

local INDEXED_MS = 180 * 86400000 -- a claim is in its machine's index for longer than it is kept

-- What ends or lapses is kept for 90 days.
local function end_claim(claim, state, ...)
  redis.call('HSET', claim_key(claim.id), 'state', state, 'ended_at', now, ...)
  redis.call('HINCRBY', claim_key(claim.id), 'version', 1)
  redis.call('EXPIRE', claim_key(claim.id), 7776000)
  redis.call('HINCRBY', COUNTERS, 'claims_' .. string.gsub(state, '-', '_'), 1)
end

local function lapse_due()
  local due = redis.call('ZRANGEBYSCORE', LEASES, '-inf', now_ms, 'LIMIT', 0, 100)
  for _, id in ipairs(due) do
    local claim = read(id)
    let_go(claim)
    put_back(claim)
    end_claim(claim, 'lapsed')
    tell('claim.lapsed', claim.job, cjson.encode(data_of(claim)))
    settle(claim.job)
  end
  return #due
end

-- The spool of the claim's material at its machine: the one at the nozzle's slot, else the first by id; nil where
-- there is none.
local function loaded_spool(claim)
  local nozzle = redis.call('HGET', P .. 'nozzles', claim.nozzle)
  local slot = nozzle and cjson.decode(nozzle).slot
  local found
  for _, raw in ipairs(redis.call('HVALS', P .. 'spools')) do
    local spool = cjson.decode(raw)
    if spool.machine_id == claim.machine and spool.material_id == claim.material then
      if spool.slot == slot then return spool.id end
      if not found or spool.id < found then found = spool.id end
    end
  end
  return found
end

-- Note the claim's spool: the one that is told, else the one it has, else the one that is loaded now. false where the
-- one told is not of the claim's material (or not there).
local function name_spool(claim, told)
  local id = told ~= '' and told or claim.spool or loaded_spool(claim)
  if not id then return true end
  if told ~= '' then
    local raw = redis.call('HGET', P .. 'spools', told)
    if not raw or cjson.decode(raw).material_id ~= claim.material then return false end
  end
  redis.call('HSET', claim_key(claim.id), 'spool_id', id)
  claim.spool = id
  return true
end

-- Whether the machine can be given work: nil, or the word that says why not.
local function refusal(machine)
  local raw = redis.call('HGET', P .. 'machines', machine)
  if not raw then return 'no-machine' end
  if cjson.decode(raw).state == 'down' then return 'down' end
  return nil
end

-- The first job of the list with a copy that waits and its nozzle on the machine, and whether any was passed over.
local function first_of(machine)
  local mounted, passed, from = {}, false, 0
  while true do
    local ids = redis.call('ZRANGE', P .. 'list:' .. machine, from, from + 49)
    for _, id in ipairs(ids) do
      local nozzle = redis.call('HGET', P .. 'job:' .. id, 'nozzle')
      if mounted[nozzle] == nil then
        local raw = redis.call('HGET', P .. 'nozzles', nozzle)
        mounted[nozzle] = raw ~= false and cjson.decode(raw).machine_id == machine
      end
      if copies_of(id).waiting > 0 then
        if mounted[nozzle] then return id, passed end
        passed = true
      end
    end
    if #ids < 50 then return nil, passed end
    from = from + 50
  end
end

local function next_copy(id)
  local back = redis.call('ZRANGE', P .. 'returned:' .. id, 0, 0)
  if #back > 0 then return back[1] end
  return tostring(redis.call('HINCRBY', P .. 'job:' .. id, 'begun', 1))
end

-- take: claim id, machine, claimant, lease in ms, digest of the request.
-- Returns taken | again (this claim id is known, same request) | reused (known, another request) | busy (the claim that
-- is held) | no-machine | down | nothing | nozzle-off (jobs wait, but for nozzles that are not on the machine).
local function take()
  local id, machine = ARGV[4], ARGV[5]
  local known = redis.call('HGET', claim_key(id), 'digest')
  if known then return answer(known == ARGV[8] and 'again' or 'reused', id) end
  local no = refusal(machine)
  if no then return { no } end
  local holder = redis.call('HGET', HOLDERS, machine)
  if holder then return answer('busy', holder) end
  local job, passed = first_of(machine)
  if not job then return { passed and 'nozzle-off' or 'nothing' } end
  local lease = tonumber(ARGV[7])
  local claim = { id = id, job = job, copy = next_copy(job), machine = machine, lease_ms = lease }
  local entry = cjson.decode(redis.call('HGET', P .. 'entries:' .. machine, job))
  redis.call('HSET', claim_key(id), 'state', 'held', 'job_id', job, 'copy', claim.copy, 'machine_id', machine,
    'nozzle_id', entry.nozzle_id, 'material_id', entry.material_id, 'claimant', ARGV[6], 'lease_ms', lease,
    'taken_at', now, 'expires_ms', now_ms + lease, 'version', 1, 'progress', '0', 'told', '0', 'digest', ARGV[8])
  claim.nozzle, claim.material = entry.nozzle_id, entry.material_id
  name_spool(claim, '')
  local index = P .. 'machine-claims:' .. machine
  redis.call('ZADD', index, now_ms, id)
  redis.call('ZREMRANGEBYSCORE', index, '-inf', now_ms - INDEXED_MS)
  hold(claim)
  redis.call('HINCRBY', COUNTERS, 'claims_taken', 1)
  local state = settle(job)
  tell('claim.taken', job, cjson.encode(data_of(claim, { claimant = ARGV[6], state = state })))
  return answer('taken', id)
end

-- Whether a lapsed claim can be held again: its copy is free, its job still on this list, the machine up and idle.
local function can_regain(claim)
  return claim.state == 'lapsed' and is_free(claim) and not refusal(claim.machine)
    and redis.call('HGET', P .. 'job:' .. claim.job, 'list') == claim.machine
    and not redis.call('HGET', HOLDERS, claim.machine)
end

-- renew: claim id, progress ("" not told), lease in ms ("" as before), spool id ("" as it is).
-- Returns renewed | regained | over | unknown | wrong-spool.
local function renew()
  local claim = read(ARGV[4])
  if not claim.state then return { 'unknown' } end
  local word = 'renewed'
  if claim.state ~= 'held' then
    if not can_regain(claim) then return answer('over', claim.id) end
    word = 'regained'
  end
  if not name_spool(claim, ARGV[7]) then return { 'wrong-spool' } end
  if ARGV[6] ~= '' then claim.lease_ms = tonumber(ARGV[6]) end
  local key = claim_key(claim.id)
  redis.call('HSET', key, 'lease_ms', claim.lease_ms, 'expires_ms', now_ms + claim.lease_ms)
  redis.call('HINCRBY', key, 'version', 1)
  redis.call('ZADD', LEASES, now_ms + claim.lease_ms, claim.id)
  local progress = tonumber(ARGV[5])
  if progress then redis.call('HSET', key, 'progress', ARGV[5]) end
  if word == 'regained' then
    redis.call('HSET', key, 'state', 'held')
    redis.call('HDEL', key, 'ended_at')
    redis.call('PERSIST', key)
    hold(claim)
    tell('claim.regained', claim.job, cjson.encode(data_of(claim, { state = settle(claim.job) })))
  elseif progress and math.abs(progress - claim.told) >= 0.05 then
    redis.call('HSET', key, 'told', ARGV[5])
    tell('claim.progress', claim.job, cjson.encode(data_of(claim, { progress = progress })), true)
  end
  return answer(word, claim.id)
end

-- give-back: claim id, reason. Returns given-back | over | unknown.
local function give_back()
  local claim = read(ARGV[4])
  if not claim.state then return { 'unknown' } end
  if claim.state ~= 'held' then return answer('over', claim.id) end
  let_go(claim)
  put_back(claim)
  end_claim(claim, 'given-back', 'reason', ARGV[5])
  tell('claim.given-back', claim.job, cjson.encode(data_of(claim, { reason = ARGV[5] })))
  settle(claim.job)
  return answer('given-back', claim.id)
end

-- finish: claim id, accepted (1 or 0), report JSON, whether a scrapped copy is to be printed again (1 or 0), spool id
-- ("" as it is). Returns finished | again (finished before with the same report) | over (the copy is with somebody else,
-- or ended) | unknown | wrong-spool.
local function finish()
  local claim, accepted, report, remake = read(ARGV[4]), ARGV[5], ARGV[6], ARGV[7]
  if not claim.state then return { 'unknown' } end
  if claim.state == 'finished' then return answer(claim.report == report and 'again' or 'over', claim.id) end
  local late = claim.state == 'lapsed'
  local job_state = redis.call('HGET', P .. 'job:' .. claim.job, 'state')
  if claim.state == 'given-back' or (late and (not is_free(claim) or job_state == 'cancelled')) then
    return answer('over', claim.id)
  end
  if not name_spool(claim, ARGV[8]) then return { 'wrong-spool' } end
  if late then
    redis.call('ZREM', P .. 'returned:' .. claim.job, claim.copy)
  else
    let_go(claim)
  end
  local verdict = accepted == '1' and 'accepted' or 'scrapped'
  if verdict == 'scrapped' and remake == '1' then
    put_back(claim)
  else
    redis.call('HSET', P .. 'copies:' .. claim.job, claim.copy, verdict .. ' ' .. claim.id)
    redis.call('HINCRBY', P .. 'job:' .. claim.job, verdict, 1)
  end
  end_claim(claim, 'finished', 'accepted', accepted, 'late', late and '1' or '0', 'report', report)
  redis.call('SADD', P .. 'claims-to-report', claim.id)
  tell('claim.finished', claim.job, cjson.encode(data_of(claim, { accepted = accepted == '1', late = late,
    remake = verdict == 'scrapped' and remake == '1' })))
  settle(claim.job)
  return answer('finished', claim.id)
end

local lapsed = lapse_due()
if OPERATION == 'lapse' then return lapsed end
if OPERATION == 'take' then return take() end
if OPERATION == 'renew' then return renew() end
if OPERATION == 'give-back' then return give_back() end
if OPERATION == 'finish' then return finish() end
return redis.error_reply('unknown operation ' .. OPERATION)
