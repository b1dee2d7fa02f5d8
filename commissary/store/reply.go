package store

import "doughrun/commissary"

type replies struct {
	*tx
	caller string
}

func (r replies) Get(requestID string) (commissary.Reply, error) {
	return one(r.tx, "REPLY_NOT_FOUND", "reply to request "+requestID, scanReply,
		`SELECT request_id, call, digest, answer, settled_at FROM replies WHERE caller = $1 AND request_id = $2`, r.caller, requestID)
}

func (r replies) Put(reply commissary.Reply) error {
	n, err := r.insert("replies", "caller, request_id, call, digest, answer, settled_at", listed(1, 6)+" ON CONFLICT (caller, request_id) DO NOTHING",
		r.caller, reply.RequestID, reply.Call, bytes(reply.Digest), bytes(reply.Answer), micros(reply.At))
	if err != nil || n > 0 {
		return err
	}
	return commissary.Refuse(commissary.Conflict, "REQUEST_SETTLED", "request %s has its answer already; read it", reply.RequestID)
}

func scanReply(s scan) (r commissary.Reply, err error) {
	err = s(&r.RequestID, &r.Call, &r.Digest, &r.Answer, instant{&r.At})
	return r, err
}
