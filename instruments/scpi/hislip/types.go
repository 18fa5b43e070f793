package hislip

import "fmt"

// Port is the TCP port of HiSLIP servers unless the resource names another.
const Port = 4880

// MessageType says what a message is for.
type MessageType byte

// The message types of IVI-6.1, table 4. Those of the asynchronous channel start
// with "Async". Types 28 to 38 belong to encrypted connections of version 2,
// types from 128 on to the makers of instruments; neither is used here.
const (
	Initialize                      MessageType = 0  // client: Parameter = version<<16 | vendor, payload = sub-address
	InitializeResponse              MessageType = 1  // server: Control = mode, Parameter = version<<16 | session
	FatalError                      MessageType = 2  // both: Control = code, payload = text; the connection ends
	Error                           MessageType = 3  // both: Control = code, payload = text; the message was ignored
	AsyncLock                       MessageType = 4  // client: Control = 1 to lock, 0 to release
	AsyncLockResponse               MessageType = 5  // server: Control = outcome
	Data                            MessageType = 6  // both: Control = RMTDelivered or 0, Parameter = message number
	DataEnd                         MessageType = 7  // both: like Data, and the last byte carries END
	DeviceClearComplete             MessageType = 8  // client: Control = mode wanted
	DeviceClearAcknowledge          MessageType = 9  // server: Control = mode granted
	AsyncRemoteLocalControl         MessageType = 10 // client: Control = request
	AsyncRemoteLocalResponse        MessageType = 11 // server
	Trigger                         MessageType = 12 // client: like Data, without payload
	Interrupted                     MessageType = 13 // server: Parameter = number of the message that interrupted
	AsyncInterrupted                MessageType = 14 // server: the same on the other channel
	AsyncMaximumMessageSize         MessageType = 15 // client: payload = 8 bytes, largest message it takes
	AsyncMaximumMessageSizeResponse MessageType = 16 // server: payload = 8 bytes, largest message it takes
	AsyncInitialize                 MessageType = 17 // client: Parameter = session
	AsyncInitializeResponse         MessageType = 18 // server: Parameter = vendor
	AsyncDeviceClear                MessageType = 19 // client
	AsyncServiceRequest             MessageType = 20 // server: Control = status byte
	AsyncStatusQuery                MessageType = 21 // client: Control = RMTDelivered or 0, Parameter = last message number
	AsyncStatusResponse             MessageType = 22 // server: Control = status byte
	AsyncDeviceClearAcknowledge     MessageType = 23 // server: Control = mode wanted
	AsyncLockInfo                   MessageType = 24 // client
	AsyncLockInfoResponse           MessageType = 25 // server: Control = 1 when locked, Parameter = number of locks
	GetDescriptors                  MessageType = 26 // client, version 2
	GetDescriptorsResponse          MessageType = 27 // server, version 2
)

// Values of Control.
const (
	RMTDelivered byte = 1 // the end of a response has reached the caller since the message before
	Synchronized byte = 0 // mode: one response at a time, interrupted by the next message
	Overlapped   byte = 1 // mode: responses queue up and carry numbers of their own
)

// Codes of FatalError.
const (
	FatalUnidentified byte = 0
	FatalHeader       byte = 1 // badly formed header
	FatalChannels     byte = 2 // use before both channels stand
	FatalInitialize   byte = 3 // bad initialization
	FatalClients      byte = 4 // more clients than the server takes
	FatalSecure       byte = 5 // secure connection failed
)

// Codes of Error.
const (
	ErrorUnidentified byte = 0
	ErrorType         byte = 1 // unknown message type
	ErrorControl      byte = 2 // unknown control code
	ErrorVendor       byte = 3 // unknown message of a maker's own
	ErrorTooLarge     byte = 4 // message too large
	ErrorAuthenticate byte = 5 // authentication failed
)

// FirstMessage is the number of the first message after the start of a
// connection or a device clear, in either direction.
const FirstMessage uint32 = 0xFFFFFF00

// NextMessage returns the number that follows n: numbers go by two and wrap.
func NextMessage(n uint32) uint32 { return n + 2 }

var typeNames = [...]string{
	"Initialize", "InitializeResponse", "FatalError", "Error", "AsyncLock", "AsyncLockResponse", "Data", "DataEnd",
	"DeviceClearComplete", "DeviceClearAcknowledge", "AsyncRemoteLocalControl", "AsyncRemoteLocalResponse", "Trigger",
	"Interrupted", "AsyncInterrupted", "AsyncMaximumMessageSize", "AsyncMaximumMessageSizeResponse", "AsyncInitialize",
	"AsyncInitializeResponse", "AsyncDeviceClear", "AsyncServiceRequest", "AsyncStatusQuery", "AsyncStatusResponse",
	"AsyncDeviceClearAcknowledge", "AsyncLockInfo", "AsyncLockInfoResponse", "GetDescriptors", "GetDescriptorsResponse",
}

// String returns the name IVI-6.1 gives to the type, or its number.
func (t MessageType) String() string {
	if int(t) < len(typeNames) {
		return typeNames[t]
	}
	return fmt.Sprintf("message type %d", byte(t))
}
